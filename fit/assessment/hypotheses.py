"""What can be wrong on a bench, each as the deviations of the spans it would leave.

A resistance that is not as budgeted is simulated on the budget's own network
(`fit.assessment.simulation`); a bead that hangs loose and a power that reads wrong leave the
network alone and bend what is read off it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import numpy as np

from fit.assessment.simulation import SimulatedPath
from fit.budget.model import Stage
from fit.network.topology import chain
from fit.records.run import Array

POOR_CONTACT, HIGH_RESISTANCE, SENSOR, POWER, SHARING, COOLING = (
    "poor-contact",
    "high-resistance",
    "sensor-placement",
    "power-error",
    "power-sharing",
    "weak-cooling",
)

# How often each kind is the trouble, before any reading: our judgement of prototype benches,
# shared among the places where a kind can happen.
PRIOR = {
    POOR_CONTACT: 0.18,
    HIGH_RESISTANCE: 0.08,
    SENSOR: 0.12,
    POWER: 0.06,
    SHARING: 0.06,  # of several sources only
    COOLING: 0.08,
}
PRIOR_UNEXPLAINED = 0.01  # something not on this list: seldom, or the list would be longer. Ours
OVERESTIMATED = "budget-too-high"  # no trouble and never a finding: a stage better than its budget
PRIOR[OVERESTIMATED] = 0.05  # budgets err on the safe side now and then. Ours
PRIOR_SWAPPED = 0.1  # two thermocouples taken for each other, relative to a loose one
PRIOR_AMBIENT_SENSOR = 0.1  # relative to a sensor on the path
ODDS_OF_KIND = {"via_array": 1.0, "spreading": 0.5, "stated": 0.3, "bar": 0.2}
"""How often such a stage is the one too high, relative to a via array (our judgement)."""
OTHER_ODDS = 0.5  # of a kind not named there: in the middle
SMALLEST_MISS, LARGEST_MISS = 0.02, 0.98  # of its rise, by a bead that hangs on by a thread
READS_LOW = 0.9  # a bead that touches badly reads between its node and the air: low
SIZES = 61  # between the ends of a cause's size, 2 to 10 % apart: finer than any span is known
# A contact that misses a patch bends the heat's way on both sides of it, and so the resistance
# between points there: by -56 to +81 % of itself in twelve fields, a wedge's by up to 13 %
# (`tests.benchmarks.field`, seeds 500-511).
BESIDE = 0.2


@dataclass(frozen=True, eq=False)
class SlowEvidence:
    """Share of the case's slow rise in the inner spans, see `fit.measurement.sensor_placement`."""

    share: Array  # (s - 1,) seen
    expected: Array  # (s - 1,) from the heat stored upstream, were the budget exact
    per_K_per_W: Array  # (s - 1,) growth of the expected share with the span's resistance
    covariance: Array  # (s - 1, s - 1) of seen and expected together


@dataclass(frozen=True, eq=False)
class CapacityEvidence:
    """Heat capacity the record shows over the budget's, see `fit.measurement.heat_capacity`."""

    ln_ratio: float  # of apparent over predicted; 0 were budget, power and sensors right
    u: float  # standard uncertainty of both together
    node_share: Array  # (s + 1,) of the stored heat that each measured node stands for


@dataclass(frozen=True, eq=False)
class Pattern:
    """Measured and predicted spans per watt along the path, with what each is made of."""

    nodes: tuple[str, ...]  # s + 1, span i begins at node i
    stages: tuple[tuple[Stage, ...], ...]  # (s,) the budget's stages in each span
    stage_K_per_W: tuple[tuple[float, ...], ...]  # (s,) predicted resistance of each of them
    measured_K_per_W: Array  # (s,)
    measured_covariance: Array  # (s, s) [(K/W)^2]
    predicted_K_per_W: Array  # (s,)
    predicted_covariance: Array  # (s, s) [(K/W)^2]
    limit_K_per_W: Array  # (s,)
    rise_K_per_W: Array  # (s + 1,) rise of each node above the last node
    heat_W: float  # along the path
    slow: SlowEvidence | None = None
    capacity: CapacityEvidence | None = None
    ends: tuple[tuple[str, str], ...] = ()  # (s,) of each span; one after the other where left out
    network: SimulatedPath | None = None  # of the budget; without it heat has no other way to take

    def moved_K_per_W(self, i: int, names: Sequence[str], factor: Array) -> Array:
        """By how much the spans (G, s) read more with stages of span i changed by a factor (G,)."""
        if self.network is not None:
            return self.network.moved_K_per_W(names, factor)
        of_stage = zip(self.stages[i], self.stage_K_per_W[i], strict=True)
        moved = np.zeros((len(factor), len(self.measured_K_per_W)))
        moved[:, i] = (factor - 1) * sum(R for stage, R in of_stage if stage.name in names)
        return moved

    def span_name(self, i: int) -> str:
        """A span by its only stage, else by its nodes."""
        stages = self.stages[i]
        return stages[0].name if len(stages) == 1 else " to ".join(self.span_ends[i])

    def spans_at(self, node: str) -> tuple[list[int], list[int]]:
        """The spans that end at a node, and the one, if any, that begins there."""
        ends = list(enumerate(self.span_ends))
        return [i for i, (_, end) in ends if end == node], [i for i, (a, _) in ends if a == node]

    @property
    def span_ends(self) -> tuple[tuple[str, str], ...]:
        """The two nodes of every span (s,)."""
        return self.ends or tuple(pairwise(self.nodes))


@dataclass(frozen=True, eq=False)
class Cause:
    """One thing wrong, over a grid of sizes.

    At size g the spans read scale[g] × truth + shift[g], and spans that are `free` may truly lie
    above their limits: their shift is of the truth, any other of the readings.
    """

    kind: str
    where: str
    prior: float
    size: Array  # (G,) relative size: of the resistance, the rise or the power
    weight: Array  # (G,) prior weight of each size, sum 1
    scale: Array  # (G,)
    shift_K_per_W: Array  # (G, s)
    slow_shift: Array  # (G, s - 1) of the share of the case's slow rise
    free: frozenset[int]
    capacity_scale: Array  # (G,) apparent heat capacity over the true one
    other: str = ""  # the node that this one's thermocouple is taken for
    beside: frozenset[int] = frozenset()  # spans that the cause may move by BESIDE, either way

    def moved_K_per_W(self, size: float, predicted_K_per_W: Array) -> Array:
        """By how much the readings of the spans (s,) are off at a size [K/W]."""
        at = int(np.abs(self.size - size).argmin())
        return np.asarray(self.shift_K_per_W[at] + (self.scale[at] - 1) * predicted_K_per_W)


def causes(pattern: Pattern) -> tuple[Cause, ...]:
    """Everything that can be wrong with a path, with priors that sum to less than 1."""
    found = [
        *_stage_causes(pattern),
        *_sensor_causes(pattern),
        *_swaps(pattern),
        _power_cause(pattern),
        *_overestimates(pattern),
    ]
    return tuple(_share_prior(found))


def _stage_causes(pattern: Pattern) -> list[Cause]:
    found = []
    inner = range(len(pattern.stages) - 1)
    for i, stages in enumerate(pattern.stages):
        rest, odds = [], 0.0
        for stage in stages:
            if stage.contact:
                contact = _raised(pattern, i, (POOR_CONTACT, stage.name, 1.0), [stage.name])
                beside = frozenset(j for j in (i - 1, i + 1) if j in inner)
                found.append(replace(contact, beside=beside))
            elif stage.kind == "surface" or stage.to_node == "ambient":
                found.append(_raised(pattern, i, (COOLING, stage.name, 1.0), [stage.name]))
            else:
                rest.append(stage.name)
                odds += ODDS_OF_KIND.get(stage.kind, OTHER_ODDS)
        if rest:
            where = rest[0] if len(rest) == 1 else pattern.span_name(i)
            found.append(_raised(pattern, i, (HIGH_RESISTANCE, where, odds), rest))
    return found


def _raised(
    pattern: Pattern, i: int, named: tuple[str, str, float], stages: Sequence[str]
) -> Cause:
    """Resistances up by anything from a tenth to five times, every factor alike."""
    return _changed(pattern, i, named, stages, _log_uniform(0.1, 5.0))


def _changed(
    pattern: Pattern,
    i: int,
    named: tuple[str, str, float],
    stages: Sequence[str],
    sizes: tuple[Array, Array],
) -> Cause:
    """Stages of span i higher, or lower, than budgeted by each of the relative sizes."""
    size, weight = sizes
    shift = pattern.moved_K_per_W(i, stages, 1 + size)
    slow = np.zeros((len(size), shift.shape[1] - 1))
    if pattern.slow is not None and i < slow.shape[1]:
        slow[:, i] = shift[:, i] * pattern.slow.per_K_per_W[i]
    ones = np.ones(len(size))
    return Cause(*named, size, weight, ones, shift, slow, frozenset({i}), ones)


def _sensor_causes(pattern: Pattern) -> list[Cause]:
    """A reading low (or, rarely, high) by a fraction of its node's rise.

    The span above it gains the kelvins that the span below it loses.
    """
    low, weight = _log_uniform(SMALLEST_MISS, LARGEST_MISS)
    high, high_weight = _log_uniform(SMALLEST_MISS, 0.6)
    size = np.concatenate([low, -high])
    weight = np.concatenate([READS_LOW * weight, (1 - READS_LOW) * high_weight])
    found = []
    span_count = len(pattern.measured_K_per_W)
    # What a kelvin too few at each node takes from every span.
    steps = -chain(pattern.nodes).full_incidence
    for j, node in enumerate(pattern.nodes):
        last = j == span_count
        # The reference's own error has no rise of its own to be a part of: its neighbour's is used,
        # and it errs towards that neighbour (a bead in the warm air by the case).
        missed = (
            -size * pattern.rise_K_per_W[j - 1] if last else _missed(size) * pattern.rise_K_per_W[j]
        )
        prior = PRIOR_AMBIENT_SENSOR if last else 1.0
        shift = np.outer(missed, steps[:, j])
        # Against the case's own reading, a case that reads low makes every other node look high.
        at_case = j == span_count - 1
        seen = np.outer(_missed(size) if at_case else size, steps[:, j])
        slow = np.zeros((len(size), span_count - 1)) if last else seen[:, :-1]
        scale = np.ones(len(size))
        # The same heat for fewer kelvins: a node that reads low seems to store more.
        share = 0.0 if pattern.capacity is None else pattern.capacity.node_share[j]
        apparent = 1 / (1 - share + share * (1 - size))
        found.append(
            Cause(SENSOR, node, prior, size, weight, scale, shift, slow, frozenset(), apparent)
        )
    return found


def _swaps(pattern: Pattern) -> list[Cause]:
    """Two thermocouples at each other's node: put back, the spans are the budget's.

    Rises in the right order y' = M y have the likelihood of spans without fault; M is its own
    inverse, so that y misses them by (1 − M) y.
    """
    below = chain(pattern.nodes).full_incidence  # rises to spans
    rises = np.vstack((np.triu(np.ones((len(below), len(below)))), np.zeros(len(below))))
    one = np.ones(1)
    found = []
    for j, k in combinations(range(len(pattern.nodes)), 2):
        order = np.arange(len(pattern.nodes))
        order[[j, k]] = k, j
        shift = pattern.measured_K_per_W - below @ (rises @ pattern.measured_K_per_W)[order]
        slow = np.zeros((1, len(below) - 1))
        if pattern.slow is not None:
            share = np.append(pattern.slow.share, 1.0)
            slow = (share - below @ (rises @ share)[order])[np.newaxis, :-1]
        found.append(
            Cause(
                SENSOR,
                pattern.nodes[j],
                PRIOR_SWAPPED,
                one,
                one,
                one,
                shift[np.newaxis],
                slow,
                frozenset(),
                one,
                pattern.nodes[k],
            )
        )
    return found


def _overestimates(pattern: Pattern) -> list[Cause]:
    """A span's resistance truly lower than budgeted, by up to two thirds."""
    size, weight = _log_uniform(0.1, 0.67)
    found = []
    for i, stages in enumerate(pattern.stages):
        named = (OVERESTIMATED, pattern.span_name(i), 1.0)
        names = [stage.name for stage in stages]
        found.append(_changed(pattern, i, named, names, (-size, weight)))
    return found


def _missed(fraction: Array) -> Array:
    """Kelvins missed per kelvin *read* when a fraction of the true rise is missed."""
    return fraction / (1 - fraction)


def _power_cause(pattern: Pattern) -> Cause:
    """Power reading or path share wrong: every span scaled alike, heat capacity the other way.

    Temperatures are as they are: R = ΔT / P falls by the factor by which C = ∫P dt / ΔT grows, and
    time constants stay. A resistance that truly rose leaves C alone and lengthens them.
    """
    size, weight = _log_uniform(0.02, 0.4)
    size, weight = np.concatenate([size, -size]), np.concatenate([weight, weight]) / 2
    scale = 1 / (1 + size)
    shift = np.zeros((len(size), len(pattern.measured_K_per_W)))
    slow = shift[:, :-1]
    return Cause(POWER, "power", 1.0, size, weight, scale, shift, slow, frozenset(), 1 + size)


def _log_uniform(low: float, high: float) -> tuple[Array, Array]:
    return np.geomspace(low, high, SIZES), np.full(SIZES, 1 / SIZES)


def _share_prior(found: list[Cause]) -> list[Cause]:
    """Turn relative priors within a kind into probabilities."""
    total = {kind: sum(c.prior for c in found if c.kind == kind) for kind in PRIOR}
    return [replace(c, prior=PRIOR[c.kind] * c.prior / total[c.kind]) for c in found]
