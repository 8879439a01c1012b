"""The noise of a record's cells, of their rises above a reference, and of a fit that leaves it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.records.run import Array
from fit.signals.cells import Cells, Index, knots
from fit.signals.quantization import ScanNoise, sharing, swept_variance, white_variance

LEAST_VARIANCE_K2 = 1e-12  # a column without noise must not weigh infinitely


@dataclass(frozen=True, eq=False)
class CellNoise:
    """What averaging takes out of each column's cells, and what it leaves."""

    white_K2: Array  # (columns,) variance of a single reading
    rounding_K2: Array  # (c, columns) variance of a cell's mean that rounding leaves
    sharing: Array  # (c, columns) cells that share this error
    variance_u: Array  # (columns,) relative standard uncertainty of the white variance

    def variance_K2(self, column: int, number: Array) -> Array:
        """Variance of a column's means.

        Args:
            column: which.
            number: readings in each cell (c,).

        Returns:
            Variances (c,), infinite over no reading [K^2].
        """
        return self._white(column, number) + self._stuck(column)

    def expected_K2(self, column: int, number: Array) -> Array:
        """Mean square of the same means' errors: what cells share counts once in each.

        Args:
            column: which.
            number: readings in each cell (c,).

        Returns:
            Mean squares (c,) [K^2].
        """
        return self._white(column, number) + np.asarray(self.rounding_K2[:, column])

    def _white(self, column: int, number: Array) -> Array:
        with np.errstate(divide="ignore"):
            return np.asarray(self.white_K2[column] / number)

    def _stuck(self, column: int) -> Array:
        return np.asarray((self.rounding_K2 * self.sharing)[:, column])

    def left_by_smoothing(self, column: int, number: Array, share: float) -> float:
        """Share of a column's variance that smoothing leaves: what is stuck is slow, and stays.

        Args:
            column: which.
            number: readings in each cell (c,).
            share: of white noise that is left.

        Returns:
            The share of the whole variance.
        """
        present = number > 0
        stuck = self._stuck(column)[present] / self.variance_K2(column, number)[present]
        return float(np.mean(share + (1 - share) * stuck))


def cell_noise(
    noise: tuple[ScanNoise, ...], step_K: Array, cells: Cells, mean: Array, phase: Index
) -> CellNoise:
    """The noise of the means of a record's columns over its cells.

    Args:
        noise: of each column from scan to scan, before rounding.
        step_K: to which each column is rounded (columns,), 0 where it is not [K].
        cells: of the record.
        mean: of each column in each cell (c, columns), NaN where missing [K].
        phase: number of each cell's phase (c,).

    Returns:
        Of readings and of means, and how well the first is known.
    """
    left, shared = np.zeros_like(mean), np.ones_like(mean)
    for column in np.flatnonzero(step_K > 0):
        sweep_K = np.diff(knots(cells, mean[:, column]))
        step = float(step_K[column])
        left[:, column] = swept_variance(step, noise[column].sd_K, sweep_K)
        shared[:, column] = sharing(step, sweep_K, phase)
    white = [white_variance(float(s), one.sd_K) for s, one in zip(step_K, noise, strict=True)]
    return CellNoise(
        white_K2=np.maximum(white, LEAST_VARIANCE_K2),
        rounding_K2=left,
        sharing=shared,
        variance_u=np.array([one.variance_u for one in noise]),
    )


@dataclass(frozen=True, eq=False)
class RiseNoise:
    """The noise of nodes' rises above a reference, and the sum of squares it leaves of a fit."""

    sd_K: Array  # (c, m) of the rises' means, infinite where missing
    weight: Array  # (c, m) one over it, by one profile for all nodes, 0 where missing
    node_weight: Array  # (m,) its factor by node
    correlation: Array  # (m, m) of the rises' noise: the reference's is in each
    cost: float  # expected sum of squares, whitened
    cost_sd: float  # its standard deviation


def rise_noise(
    noise: CellNoise, columns: list[int], reference: int | None, number: Array, left: float
) -> RiseNoise:
    """The noise of rises above a reference.

    Args:
        noise: of the record's columns.
        columns: of the nodes (m).
        reference: its column; None where rises are above a node's own start.
        number: readings in each cell of each rise (c, m).
        left: share of the reference's variance that smoothing leaves.

    Returns:
        Weights, correlation and expected cost. The cost's variance is that of χ² and what is not
        known of the noise's size, which is common to a node's cells.
    """
    variance_K2, expected_K2 = np.zeros_like(number), np.zeros_like(number)
    for j, column in enumerate(columns):
        for involved in (column,) if reference is None else (column, reference):
            variance_K2[:, j] += noise.variance_K2(involved, number[:, j])
            expected_K2[:, j] += noise.expected_K2(involved, number[:, j])
    weight, node_weight = _weights(np.sqrt(variance_K2))
    own_K2 = noise.white_K2[columns]
    reference_K2 = 0.0 if reference is None else float(noise.white_K2[reference])
    whole = np.diag(own_K2) + reference_K2
    squares = np.where(weight > 0, expected_K2, 0.0) * weight**2
    each = squares.sum(axis=0) * noise_share(own_K2, reference_K2, left)
    return RiseNoise(
        sd_K=np.sqrt(variance_K2),
        weight=weight,
        node_weight=node_weight,
        correlation=whole / np.sqrt(np.outer(np.diag(whole), np.diag(whole))),
        cost=float(each.sum()),
        cost_sd=float(np.sqrt(2 * each.sum() + ((each * noise.variance_u[columns]) ** 2).sum())),
    )


def noise_share(variance_K2: Array, reference_K2: float, left: float) -> float:
    """Sum of whitened squares that noise leaves, for each reading.

    The whitening is for slow errors, which the rises share with the reference in full. From scan to
    scan the smoothed reference has little noise left, so that the squares sum up to less than one.

    Args:
        variance_K2: of the nodes' own readings (m,) [K^2].
        reference_K2: of the reference's.
        left: share of the reference's variance that smoothing leaves.

    Returns:
        The share, 1 where all of the reference's noise is left.

    >>> noise_share(np.ones(1), 1.0, 1.0), noise_share(np.ones(1), 1.0, 0.0)
    (1.0, 0.5)
    """
    whole = np.diag(variance_K2) + reference_K2
    quick = np.diag(variance_K2) + left * reference_K2
    return float(np.trace(np.linalg.solve(whole, quick))) / len(variance_K2)


def _weights(sd_K: Array) -> tuple[Array, Array]:
    """Weights (c, m) = cell profile x node weight, 0 where missing, and the node weights (m,).

    One profile for all nodes keeps their factorisation common; it is the nodes' geometric mean.
    """
    present = np.isfinite(sd_K)
    logs = np.where(present, np.log(np.where(present, sd_K, 1.0)), 0.0)
    node = logs.sum(axis=0) / np.maximum(present.sum(axis=0), 1)
    spread = np.where(present, logs - node, 0.0)
    profile = spread.sum(axis=1) / np.maximum(present.sum(axis=1), 1)
    return np.where(present, np.exp(-profile[:, None] - node), 0.0), np.exp(-node)
