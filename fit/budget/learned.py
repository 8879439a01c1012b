"""What measured runs have taught of a budget's inputs, and a budget that uses it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from fit.budget.inputs import (
    PATH,
    Input,
    leak_owner,
    owner_of,
    path_key,
    standard_scores,
    unsure_inputs,
)
from fit.budget.model import Array, Budget, Conditions, Leak, Source, Stage
from fit.budget.uncertain import Uncertain


@dataclass(frozen=True, eq=False)
class Learned:
    """Inputs of a process as measured runs leave them, in the standard scores stated before.

    A unit's score is √s · (the process's) + √(1 − s) · (its own), s being what is `shared`.
    """

    inputs: tuple[Input, ...]  # (d,) as stated before
    mean: Array  # (d,) of the process's scores
    covariance: Array  # (d, d)

    @property
    def unit_mean(self) -> Array:
        """Mean of the next unit's scores (d,)."""
        return np.sqrt(_shares(self.inputs)) * self.mean

    @property
    def unit_variance(self) -> Array:
        """Variance of the next unit's scores (d,)."""
        shared = _shares(self.inputs)
        return shared * np.diag(self.covariance) + 1 - shared

    @property
    def unit_moments(self) -> Array:
        """Mean and standard deviation of the next unit's true values over the stated (d, 2)."""
        both = zip(self.inputs, self.unit_mean, self.unit_variance, strict=True)
        return np.array([one.moments(float(m), float(v)) for one, m, v in both])

    def unit_factors(self, draws: int) -> Array:
        """The next unit's true values over the stated ones, as they hang together (d, draws)."""
        streams = [one.stream for one in self.inputs]
        common = np.array([standard_scores(stream, draws) for stream in streams])
        own = np.array([standard_scores(f"{stream} of its own", draws) for stream in streams])
        process = self.mean[:, np.newaxis] + symmetric_root(self.covariance) @ common
        scores = unit_scores(self.inputs, process, own)
        return np.array([one.factor(z) for one, z in zip(self.inputs, scores, strict=True)])

    def only(self, places: list[int]) -> Learned:
        """The same of some of its inputs."""
        chosen = np.ix_(places, places)
        inputs = tuple(self.inputs[i] for i in places)
        return Learned(inputs, self.mean[places], self.covariance[chosen])


def unit_scores(inputs: tuple[Input, ...], process: Array, own: Array) -> Array:
    """Scores of units (d, n) from those of their process (d, n) and their own (d, n)."""
    shared = _shares(inputs)[:, np.newaxis]
    return np.asarray(np.sqrt(shared) * process + np.sqrt(1 - shared) * own)


@lru_cache(maxsize=32)
def relative_draws(learned: Learned, draws: int) -> Mapping[tuple[str, str], Array]:
    """For each input by name, the next unit's values over their mean (draws,)."""
    factors = learned.unit_factors(draws) / learned.unit_moments[:, :1]
    return {one.name: row for one, row in zip(learned.inputs, factors, strict=True)}


def known_in(budget: Budget, learned: Learned) -> Mapping[tuple[str, str], int]:
    """Which of a budget's unsure inputs are known.

    Args:
        budget: of this design or another.
        learned: from runs.

    Returns:
        Place among what was learnt, by the input's name.
    """
    by_name: dict[tuple[str, str], list[int]] = {}
    for place, known in enumerate(learned.inputs):
        by_name.setdefault(known.name, []).append(place)
    found: dict[tuple[str, str], int] = {}
    for one in unsure_inputs(budget):
        for place in by_name.get(one.name, []):
            if one.is_same(learned.inputs[place]):
                found.setdefault(one.name, place)
    return found


def with_learned(budget: Budget, learned: Learned) -> Budget:
    """A budget whose inputs are what runs have taught, as far as it has them.

    Args:
        budget: the next design.
        learned: from runs of this one or another.

    Returns:
        The budget; its `learned` names the inputs that were taught, none where none is known.
    """
    kept = sorted(known_in(budget, learned).values())
    if not kept:
        return budget
    taught = learned.only(kept)
    moments = taught.unit_moments.tolist()
    numbers = {
        one.name: (factor, u) for one, (factor, u) in zip(taught.inputs, moments, strict=True)
    }
    return replace(
        budget,
        learned=taught,
        stages=tuple(_stage(stage, numbers) for stage in budget.stages),
        leaks=tuple(_leak(leak, numbers) for leak in budget.leaks),
        named_sources=tuple(_source(source, numbers) for source in budget.named_sources),
        conditions=_conditions(budget, numbers),
    )


Numbers = Mapping[tuple[str, str], tuple[float, float]]


def _stage(stage: Stage, numbers: Numbers) -> Stage:
    bounded: frozenset[str] = getattr(type(stage.keys), "bounded", frozenset())
    uncertain = {
        key: number
        if (owner_of(stage, key), key) not in numbers
        else _taught(number, *numbers[owner_of(stage, key), key], bounded=key in bounded)
        for key, number in stage.uncertain.items()
    }
    return replace(stage, uncertain=uncertain)


def _taught(number: Uncertain, factor: float, u: float, *, bounded: bool) -> Uncertain:
    value = min(number.value * factor, 1.0) if bounded else number.value * factor
    return Uncertain(value, number.value * u)


def _leak(leak: Leak, numbers: Numbers) -> Leak:
    name = (leak_owner(leak), "R_K_per_W")
    if name not in numbers:
        return leak
    factor, u = numbers[name]
    return replace(leak, R_K_per_W=leak.R_K_per_W * factor, R_u_K_per_W=leak.R_K_per_W * u)


def _source(source: Source, numbers: Numbers) -> Source:
    name = (PATH, path_key(source))
    if name not in numbers:
        return source
    number = _taught(Uncertain(source.path_fraction, 0.0), *numbers[name], bounded=True)
    return replace(source, path_fraction=number.value, path_fraction_u=number.u)


def _conditions(budget: Budget, numbers: Numbers) -> Conditions:
    """The conditions; of several sources the path share is the mean of theirs."""
    sources = [_source(source, numbers) for source in budget.sources]
    power = sum(source.power_W for source in sources)
    shares = [(source.power_W / power, source) for source in sources]
    return replace(
        budget.conditions,
        path_fraction=sum(part * source.path_fraction for part, source in shares),
        path_fraction_u=math.hypot(*(part * source.path_fraction_u for part, source in shares)),
    )


def _shares(inputs: tuple[Input, ...]) -> Array:
    return np.array([one.shared for one in inputs])


def symmetric_root(covariance: Array) -> Array:
    """The symmetric root of a covariance (d, d): that of the identity is the identity."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)) @ vectors.T)
