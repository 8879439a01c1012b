"""A budget's unsure inputs: what each is called, how it is drawn, what of it units share."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass

import numpy as np

from fit.budget.model import Array, Budget, Leak, Source, Stage
from fit.budget.uncertain import Uncertain

SEED = 20080101  # fixed: the same budget gives the same numbers every time
DIMENSIONS = ("_mm", "_um", "_mm2", "_MPa")
"""Endings of keys that a drawing states: changed in the next design, they keep their ratio."""
PROPERTIES = frozenset(
    {
        "conductivity_W_per_mK",
        "contact_K_mm2_per_W",
        "emissivity",
        "fill_W_per_mK",
        "gap_W_per_mK",
        "hardness_GPa",
        "impedance_factor",
    }
)
"""Keys that belong to a material, whichever stage it is in."""
PATH = "path"  # whose the share of the power is that takes it
ALIKE = frozenset({"convection_factor", "path_fraction"})
"""Keys that are errors of a formula or of a design: the same in every unit, as a property is."""
HALF = 0.5  # of the variance is the process's where nobody states `shared`: our judgement
NODES = 64  # of the Gauss-Hermite quadrature: exact to more digits than anything is stated with
LARGEST_SHARE_U = 0.5  # relative, of a path share, so that its draws stay above zero
SAME = 1e-6  # relative: two stated values that are one and the same, as files round them


@dataclass(frozen=True)
class Input:
    """One unsure input, in standard scores: 0 is its median as stated, 1 a standard deviation."""

    owner: str  # a stage or its material, "path", or a leak
    kind: str  # of the stage; "" where it belongs to none
    key: str
    number: Uncertain
    shared: float  # share of its variance that all units of the process have in common
    bounded: bool = False  # at most 1

    @property
    def name(self) -> tuple[str, str]:
        """What it is known by from one budget to the next."""
        return self.owner, self.key

    @property
    def stream(self) -> str:
        """Name of its random stream."""
        return f"{self.owner}/{self.key}"

    @property
    def is_dimension(self) -> bool:
        """Whether a drawing states it."""
        return self.key.endswith(DIMENSIONS)

    def is_same(self, known: Input) -> bool:
        """Whether it is one that is known: by name and kind, and a property by its value too.

        Another value of a property is another material, while a dimension keeps its ratio to the
        drawing.

        Args:
            known: from this budget or another.
        """
        mine, other = self.number, known.number
        if (self.name, self.kind, mine.shape) != (known.name, known.kind, other.shape):
            return False
        return self.is_dimension or math.isclose(mine.value, other.value, rel_tol=SAME)

    def factor(self, score: Array) -> Array:
        """True value over the stated one (...) at a standard score (...)."""
        return _factor(self.number, score)

    def moments(self, mean: float, variance: float) -> tuple[float, float]:
        """Mean and standard deviation of `factor` over a normal score of this mean and variance.

        >>> one = Input("pad", "pad", "thickness_mm", Uncertain(0.5, 0.05), 0.5)
        >>> [round(value, 9) for value in one.moments(0.0, 1.0)]
        [1.0, 0.1]
        """
        node, weight = np.polynomial.hermite_e.hermegauss(NODES)
        factor = self.factor(mean + np.sqrt(variance) * node)
        middle = float(weight @ factor / weight.sum())
        return middle, float(np.sqrt(weight @ (factor - middle) ** 2 / weight.sum()))


def unsure_inputs(budget: Budget) -> tuple[Input, ...]:
    """Every unsure input of a budget, one that several stages share once."""
    found: dict[tuple[str, str], Input] = {}
    for stage in budget.stages:
        bounded: frozenset[str] = getattr(type(stage.keys), "bounded", frozenset())
        for key, number in stage.uncertain.items():
            if number.u > 0 and number.value > 0:
                one = Input(
                    owner_of(stage, key),
                    "" if _material(stage, key) else stage.kind,
                    key,
                    number,
                    _shared(stage, key),
                    key in bounded,
                )
                found.setdefault(one.name, one)
    for leak in budget.leaks:
        if leak.R_u_K_per_W > 0:
            number = Uncertain(leak.R_K_per_W, leak.R_u_K_per_W)
            one = Input(leak_owner(leak), "leak", "R_K_per_W", number, 1.0)
            found.setdefault(one.name, one)
    for source in budget.sources:
        if source.path_fraction_u > 0:
            one = Input(PATH, "", path_key(source), path_number(source), 1.0, True)
            found.setdefault(one.name, one)
    return tuple(found.values())


def owner_of(stage: Stage, key: str) -> str:
    """Whose an input is: its material's where it is a property of one, else the stage's."""
    return _material(stage, key) or stage.name


def leak_owner(leak: Leak) -> str:
    """What a leak is called."""
    return f"leak {leak.node} - {leak.to_node}"


def path_key(source: Source) -> str:
    """What a source's path share is called."""
    return f"path_fraction {source.name}".strip()


def path_number(source: Source) -> Uncertain:
    """A source's path share, as unsure as its draws can be."""
    share = source.path_fraction
    return Uncertain(share, min(source.path_fraction_u, LARGEST_SHARE_U * share))


def standard_scores(stream: str, draws: int) -> Array:
    """Standard normal numbers (draws,): the same for the same name, every time."""
    return np.random.default_rng([SEED, zlib.crc32(stream.encode())]).standard_normal(draws)


def _material(stage: Stage, key: str) -> str:
    material = None if stage.keys is None else stage.keys.material
    return material if material and key in PROPERTIES else ""


def _shared(stage: Stage, key: str) -> float:
    """Share of the variance of an input that its process has, as stated or by what it is."""
    stated = {} if stage.keys is None else stage.keys.shared or {}
    return stated.get(key, 1.0 if key in PROPERTIES | ALIKE else HALF)


def _spread(number: Uncertain) -> float:
    """Standard deviation of the logarithm of a lognormal number."""
    return float(np.sqrt(np.log1p((number.u / number.value) ** 2)))


def _factor(number: Uncertain, score: Array) -> Array:
    if number.shape == "rectangular":
        from scipy.special import ndtr

        return np.asarray(1 + np.sqrt(3) * number.u / number.value * (2 * ndtr(score) - 1))
    spread = _spread(number)
    return np.asarray(np.exp(spread * score - spread**2 / 2))
