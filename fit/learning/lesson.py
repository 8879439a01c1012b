"""One run as evidence on a budget's inputs: measured spans, and what draws of inputs predict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fit.assessment.alignment import Alignment, accuracy_not_stated, lay_on_budget
from fit.assessment.conformity import Verdict
from fit.assessment.decision import NON_CONFORMING
from fit.budget.inputs import PATH, Input, leak_owner, owner_of, path_key
from fit.budget.model import Array, Budget
from fit.budget.prediction import seen_K_per_W
from fit.errors import NotIdentifiable
from fit.learning.identity import Identity
from fit.measurement.resolution import are_resolved
from fit.network.topology import Link

POWER = "power"
BY_THE_RIG = ("sensor_match", POWER)
"""Contributions that come from the instruments: the same error in each run of a rig."""


@dataclass(frozen=True, eq=False)
class Lesson:
    """The resolved spans of one run, in logarithms, per watt that takes the path as stated."""

    run: Identity
    budget: Budget
    path: Alignment
    taken: tuple[int, ...]  # (s,) of the path's spans, those that are resolved
    ln_measured: Array  # (s,)
    own_covariance: Array  # (s, s) of ln R, by what is another in each run
    rig_covariance: Mapping[str, Array]  # name -> (s, s), by what is the same in each run of a rig
    power_W: Array  # (sources,) electrical
    ambient_degC: float
    warnings: tuple[str, ...]  # what makes the measured uncertainties too small
    doubt: str  # why `check` would not have this run taken as sound; empty where it would

    @property
    def ends(self) -> tuple[Link, ...]:
        """The two nodes of each span (s,)."""
        return tuple(self.path.ends[i] for i in self.taken)

    @property
    def covariance(self) -> Array:
        """Of ln R as measured (s, s)."""
        return np.asarray(self.own_covariance + sum(self.rig_covariance.values()))

    def predicted(self, inputs: tuple[Input, ...], factors: Array) -> Array:
        """ln of the spans that this run would show (n, s), for inputs that are so much off.

        Args:
            inputs: of the budget (d,).
            factors: true over stated value of each (d, n).
        """
        budget = self.budget
        by_name = {one.name: row for one, row in zip(inputs, factors, strict=True)}
        n = factors.shape[1]
        ones = np.ones(n)
        stages = tuple(
            {
                key: np.minimum(drawn, 1.0) if key in _bounded(stage.keys) else drawn
                for key, number in stage.uncertain.items()
                for drawn in [number.value * by_name.get((owner_of(stage, key), key), ones)]
            }
            for stage in budget.stages
        )
        leaks = [
            leak.R_K_per_W * by_name.get((leak_owner(leak), "R_K_per_W"), ones)
            for leak in budget.leaks
        ]
        shares = [
            np.minimum(s.path_fraction * by_name.get((PATH, path_key(s)), ones), 1.0)
            for s in budget.sources
        ]
        heat = (np.array(shares) * self.power_W[:, np.newaxis]).T
        beside = np.array(leaks).reshape(len(leaks), n).T
        R = seen_K_per_W(budget, stages, beside, heat, self.ambient_degC)
        ln_R = np.log(_lumped(self.path, budget, R))[:, list(self.taken)]
        if self.path.per_path_watt:
            return ln_R  # the error of the path shares is part of what was measured
        # Measured per watt of the share as stated; what flows is that of the true share.
        (share,), (stated,) = shares, budget.path_fraction
        return np.asarray(ln_R + np.log(share / stated)[:, np.newaxis])


def lesson_of(run: Identity, verdict: Verdict) -> Lesson:
    """What a checked run has to say of its budget's inputs.

    Args:
        run: what it is known by.
        verdict: on it.

    Returns:
        The lesson, of the channels that are believed.

    Raises:
        NotIdentifiable: no span of the run is resolved.
    """
    prediction = verdict.prediction
    budget = prediction.budget
    spans = verdict.measured.believed or verdict.measured
    path = lay_on_budget(spans, budget)
    R = path.R_K_per_W / (1.0 if path.per_path_watt else budget.conditions.path_fraction)
    u = np.sqrt(np.diag(path.covariance)) / path.R_K_per_W * R
    taken = [int(i) for i in np.flatnonzero(are_resolved(R, u) & (R > 0))]
    if not taken:
        raise NotIdentifiable(f"{run}: no span is resolved; heat longer")
    rows = path.transform[taken]
    # Of a sum that holds a part nobody knows nothing is taken: its rows are not resolved.
    whole = path.R_K_per_W[taken]
    relative = {
        name: rows @ np.nan_to_num(c) @ rows.T / np.outer(whole, whole)
        for name, c in spans.covariance.items()
    }
    own = [c for name, c in relative.items() if name not in BY_THE_RIG]
    return Lesson(
        run=run,
        budget=budget,
        path=path,
        taken=tuple(taken),
        ln_measured=np.log(R[taken]),
        own_covariance=np.sum(own, axis=0),
        rig_covariance={name: relative[name] for name in BY_THE_RIG if name in relative},
        power_W=prediction.source_power_W,
        ambient_degC=prediction.ambient_degC,
        warnings=tuple(accuracy_not_stated(spans)),
        doubt=_doubt(verdict),
    )


def _doubt(verdict: Verdict) -> str:
    """Why a run is not taken as sound."""
    if verdict.findings:
        first = verdict.findings[0]
        return f"check finds {first.kind} at {first.where}"
    bad = [span for span in verdict.spans if span.decision == NON_CONFORMING]
    return f"{' + '.join(bad[0].stages)} does not conform" if bad else ""


def _bounded(keys: object) -> frozenset[str]:
    return getattr(type(keys), "bounded", frozenset())


def _lumped(path: Alignment, budget: Budget, R_K_per_W: Array) -> Array:
    """Resistance of every span (n, spans) from draws of the stages (n, stages)."""
    member = budget.in_parallel
    alone = member.sum(axis=1) == 1
    joined = np.where(alone, R_K_per_W @ member.T, 1 / ((1 / R_K_per_W) @ member.T))
    group = np.zeros((len(path.ends), len(budget.joined.links)))
    for i, ends in enumerate(path.ends):
        group[i, list(budget.joined.links_between(*ends))] = 1.0
    return np.asarray(joined @ group.T)
