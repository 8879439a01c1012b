"""What is known of a process before the runs: as stated, or as earlier runs have taught."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fit.budget.inputs import Input, unsure_inputs
from fit.budget.learned import Learned, known_in
from fit.budget.model import Array, Budget
from fit.learning.ensemble import Updated


@dataclass(frozen=True, eq=False)
class Prior:
    """Scores of the process before the runs: mean + G z, z ~ N(0, 1) of the budget's inputs."""

    known: Learned  # (d,) the budget's own inputs first, then those of other products
    own: int  # inputs of the budget that the runs are of

    @property
    def inputs(self) -> tuple[Input, ...]:
        """Of the budget (own,)."""
        return self.known.inputs[: self.own]

    @cached_property
    def G(self) -> Array:
        """What one standard deviation of each z does to every score (d, own).

        Its upper rows are the symmetric root of the own inputs' covariance C_oo; its lower ones
        C_ro C_oo^(−½), the regression of the rest on them.
        """
        covariance = self.known.covariance
        values, vectors = np.linalg.eigh(covariance[: self.own, : self.own])
        # A direction that rounding alone has left carries nothing to the others.
        left = values > np.finfo(float).eps * self.own * values.max()
        roots = np.sqrt(np.where(left, values, 1.0))
        inverse = vectors * np.where(left, 1 / roots, 0.0) @ vectors.T
        upper = vectors * np.where(left, roots, 0.0) @ vectors.T
        return np.vstack([upper, covariance[self.own :, : self.own] @ inverse])

    def scores(self, z: Array) -> Array:
        """Scores of the process (own, n) from draws of z (n, own)."""
        mean = self.known.mean[: self.own, np.newaxis]
        return np.asarray(mean + self.G[: self.own] @ z.T)

    def after(self, z: Updated) -> Learned:
        """What is known after the runs, of other products too as far as it hangs together.

        Args:
            z: after its update.

        Returns:
            Mean and covariance of all scores: m + G z̄ and C − G (1 − C_z) Gᵀ.
        """
        gone = np.eye(self.own) - z.covariance
        covariance = self.known.covariance - self.G @ gone @ self.G.T
        mean = self.known.mean + self.G @ z.mean
        return Learned(self.known.inputs, mean, 0.5 * (covariance + covariance.T))


def prior_of(budget: Budget, learned: Learned | None = None) -> Prior:
    """What is known of the process before the runs.

    An input that is known is as learnt, in its own standard scores; one that is not, as the
    budget states it. What is known of other products is kept beside them.

    Args:
        budget: that the runs are of.
        learned: from earlier runs, of this design or another.

    Returns:
        The prior.
    """
    own = unsure_inputs(budget)
    learned = learned or Learned((), np.zeros(0), np.eye(0))
    known = known_in(budget, learned)
    rest = sorted(set(range(len(learned.inputs))) - set(known.values()))
    inputs = tuple(
        _known_as(learned.inputs[known[one.name]], one) if one.name in known else one for one in own
    ) + tuple(learned.inputs[i] for i in rest)
    here = [i for i, one in enumerate(own) if one.name in known]
    here += range(len(own), len(inputs))
    there = [known[one.name] for one in own if one.name in known] + rest
    mean, covariance = np.zeros(len(inputs)), np.eye(len(inputs))
    mean[here] = learned.mean[there]
    covariance[np.ix_(here, here)] = learned.covariance[np.ix_(there, there)]
    return Prior(Learned(inputs, mean, covariance), len(own))


def _known_as(known: Input, one: Input) -> Input:
    """A known input at the value that this drawing has; how unsure it was is relative."""
    number, value = known.number, one.number.value
    return replace(known, number=replace(number, value=value, u=number.u * value / number.value))
