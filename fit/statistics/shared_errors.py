"""What runs measured, between the nodes that all of them have, and the errors that they share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.budget.learned import symmetric_root
from fit.measurement.spans import Spans
from fit.network.topology import Link
from fit.records.run import Array

SHARED_BY_A_RIG = ("sensor_match", "power")
"""Contributions that come from the rig's instruments: the same error in each of its runs."""

ALL_OF_IT = (1.0, 0.0)  # share of the power, and its uncertainty
PATH_SHARE = "path_share"  # of the product, whatever the rig: the same in every unit of one design


@dataclass(frozen=True, eq=False)
class Merged:
    """One run's spans between the nodes that all runs have."""

    R: Array  # (s,)
    covariance: Mapping[str, Array]  # name -> (s, s)
    rig: str | None
    share: tuple[float, float]

    @staticmethod
    def of(
        spans: Spans, ends: tuple[Link, ...], rig: str | None, share: tuple[float, float]
    ) -> Merged:
        """Lumped between the nodes in common, and per watt that takes the path.

        Args:
            spans: as measured, per watt recorded.
            ends: of every span in common.
            rig: equal for runs of the same instruments; None where unknown.
            share: of the recorded power that takes the path, and its standard uncertainty.
        """
        lumps = np.zeros((len(ends), len(spans.R_K_per_W)))
        for row, (start, end) in zip(lumps, ends, strict=True):
            row[list(spans.topology.links_between(start, end))] = 1.0
        lumps /= share[0]
        R = lumps @ spans.R_K_per_W
        covariance = {name: lumps @ c @ lumps.T for name, c in spans.covariance.items()}
        if share[1]:
            covariance[PATH_SHARE] = np.outer(R, R) * (share[1] / share[0]) ** 2
        return Merged(R, covariance, rig, share)

    def origin(self, name: str, shared: Sequence[str]) -> object:
        """What a contribution comes from: one error in all runs of it; None if each has its own."""
        if name == PATH_SHARE:
            return self.share
        return self.rig if name in shared else None


def difference_covariance(one: Merged, other: Merged, shared: Sequence[str]) -> Array:
    """How sure a difference is, where some errors are the same in both runs.

    Args:
        one: the run that the other is held against.
        other: a run with the same spans.
        shared: contributions that runs of one rig have in common.

    Returns:
        Covariance of other.R - one.R (s, s) [(K/W)^2].
    """
    total = np.zeros((len(one.R), len(one.R)))
    if one is other:
        return total
    for name in one.covariance.keys() | other.covariance.keys():
        c1, c2 = (run.covariance.get(name, np.zeros_like(total)) for run in (one, other))
        origin = one.origin(name, shared)
        if origin is not None and origin == other.origin(name, shared):
            left = _match_left if name == "sensor_match" else _proportional_left
            total += left(one, other, c1, c2)
        else:
            total += c1 + c2
    return total


def _proportional_left(one: Merged, other: Merged, c1: Array, c2: Array) -> Array:
    """A common relative error, of the power or its share: each span's own part, subtracted."""
    change = np.sqrt(np.diag(c2)) * np.sign(other.R) - np.sqrt(np.diag(c1)) * np.sign(one.R)
    return np.outer(change, change)


def _match_left(_one: Merged, _other: Merged, c1: Array, c2: Array) -> Array:
    """Common errors of the channels: a node's error raises the span below and lowers the one above.

    C is tridiagonal, -C[i, i+1] the variance of the node between spans i and i + 1; what is left on
    the diagonal belongs to the outer nodes. Any other C is of a run that has told the channels'
    errors in part by its own record. What two such runs leave of them is much the same, felt by the
    root of each; what a run of one kind leaves has little to do with one of the other kind.
    """
    by_channel = _is_of_channels(c1), _is_of_channels(c2)
    if not any(by_channel):
        change = symmetric_root(c2) - symmetric_root(c1)
        return change @ change
    if not all(by_channel):
        return c1 + c2
    nodes_1, ends_1 = _channels(c1)
    nodes_2, ends_2 = _channels(c2)
    left = np.diag((ends_2 - ends_1) ** 2)
    for i, change in enumerate((nodes_2 - nodes_1) ** 2):
        left[i : i + 2, i : i + 2] += change * np.array([[1.0, -1.0], [-1.0, 1.0]])
    return left


def _is_of_channels(c: Array) -> bool:
    """Whether a match matrix (s, s) is that of errors which each belong to one node."""
    least = 1e-9 * np.diag(c).max(initial=0.0)
    return bool((np.diag(c, 1) <= least).all() and (np.abs(np.triu(c, 2)) <= least).all())


def _channels(c: Array) -> tuple[Array, Array]:
    """Standard uncertainties of the inner nodes (s - 1,) and of the rest (s,) in a match matrix."""
    inner = np.maximum(-np.diag(c, 1), 0.0)
    rest = np.diag(c) - np.append(inner, 0.0) - np.append(0.0, inner)
    return np.sqrt(inner), np.sqrt(np.maximum(rest, 0.0))


def joint_covariance(
    merged: Sequence[Merged], shared: Sequence[str], i: int
) -> tuple[Array, Array, Array]:
    """One span in all runs.

    Args:
        merged: the runs (n,).
        shared: contributions that runs of one rig have in common.
        i: index of the span.

    Returns:
        Its resistances (n,), the covariance of each run's own errors and of those shared (n, n).
    """
    R = np.array([run.R[i] for run in merged])
    own, common = np.zeros((len(R), len(R))), np.zeros((len(R), len(R)))
    for name in {name for run in merged for name in run.covariance}:
        u = np.sqrt([run.covariance[name][i, i] if name in run.covariance else 0 for run in merged])
        from_ = [run.origin(name, shared) for run in merged]
        same = np.array([[a is not None and a == b for b in from_] for a in from_])
        # A run alone on its rig shares with none: its error is its own.
        alone = same.sum(axis=1) <= 1
        own += np.diag(np.where(alone, u**2, 0.0))
        common += np.where(same & ~alone, np.outer(u, u), 0.0)
    return R, own, common
