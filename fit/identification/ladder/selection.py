"""A ladder of lumps in place of the general model: what a short record can still tell.

With far fewer parameters than the general linear model it decides spans in a minute. It is used
only where it describes the record as well as the general model does. Where several ladders explain
a record about as well as the best, each counts by its likelihood.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from fit.identification.covariance import correlation_inflation
from fit.identification.ladder.model import LadderModel
from fit.identification.ladder.search import (
    LEAST_INFLATION,
    SMALL_GAIN,
    Ladder,
    exact,
    fit_ladder,
    ladder_at,
    minimise,
)
from fit.identification.model_order import Fitted
from fit.identification.pole_model import CellRecord
from fit.records.run import Array

ADEQUATE = 1e-3  # a ladder is set aside when so bad a fit is rarer than this
NOISE_LEVEL = 1.0  # mean square of standardised residuals that leaves nothing to explain
# Times the noise: two starts that end so far off have met a product that is no ladder. Of those
# that are, the first or second ends within the noise (`tests.benchmarks.random_rigs`).
FAR_FROM_NOISE = 3.0
SURE = 0.05  # relative uncertainty of the general model's spans that makes it a witness
SAME_MINIMUM = 0.01  # of ln R
# A minimum found again so often is taken as the lowest: by its cost, or by its spans as well, in
# their standard uncertainties.
REPEATS_UNSURE, SAME_COST = 2, 0.5
REPEATS_SURE, SAME_SPAN = 1, 0.3
MOVED_SPAN = 1.0  # most that a hidden lump may move spans, if it says nothing else of them
WHITE = 1.5  # inflation of a variance by correlation: noise that comes and goes from scan to scan
# Errors over stated uncertainties on random rigs, where the slope alone states them: lags, edge and
# lumps beyond what is linear at the minimum. `tests.benchmarks.random_rigs`, seeds 2000-2199.
CALIBRATION = 1.12
VALLEY_COST, VALLEY_ROUNDS = 8.0, 3  # in inflated variances: followed so far up, begun so often
VALLEY_STRIDE, VALLEY_STEPS, VALLEY_HELD = 1.0, 5, 0.02  # of ln R


def adequate_ladder(fitted: Fitted, spans: Array, covariance: Array) -> Ladder | None:
    """The ladder for a fitted record, None where the general model describes it better.

    With and without a hidden lump above the first node; where several describe the record, each
    counts by its likelihood.

    spans, covariance: the general model's (m,) [K/W], (m, m) [(K/W)^2].
    """
    record, model = fitted.model.record, fitted.model
    if not model.powered or not model.has_reference:
        return None
    general = fitted.solution
    m = record.rise_K.shape[1]
    u = np.sqrt(np.diag(covariance))
    sure = bool(np.all(u < SURE * np.abs(spans)))
    inflation = max(correlation_inflation(general), LEAST_INFLATION)
    parameters = len(general.theta) + m * model.parameters - (4 * m + 1)
    rows = general.residual[: len(record.rise_K)]
    cost = general.cost - np.sum(rows**2) + np.sum((rows @ record.whitening) ** 2)
    as_good = float(cost) + inflation * chdtri(max(parameters, 1), ADEQUATE)
    readings = float(np.sum(record.weight > 0))
    noise = NOISE_LEVEL * (readings + 4 * np.sqrt(2 * readings))

    def enough(found: list[Ladder]) -> bool:
        if len(found) > 1 and min(ladder.cost for ladder in found) > FAR_FROM_NOISE * noise:
            return True
        if not sure:
            return _repeats(found, SAME_COST, np.inf) > REPEATS_UNSURE
        apart = np.abs(found[-1].R_K_per_W - spans)
        agrees = bool(np.all(apart < 3 * np.hypot(u, 0.01 * np.abs(spans))))
        if agrees and found[-1].cost <= min(as_good, noise):
            return True
        # Residuals that stay on one side for long are left by a minimum which is not the lowest.
        lowest = min(found, key=lambda ladder: ladder.cost)
        white = lowest.inflation < WHITE * lowest.cost / readings
        # A hidden lump that leaves the spans of the ladder without where they were confirms it.
        hardly_moved = (
            begin is not None
            and found[-1].cost <= begin.cost
            and _repeats([begin, found[-1]], np.inf, MOVED_SPAN) > 1
        )
        return white and (hardly_moved or _repeats(found, inflation, SAME_SPAN) > REPEATS_SURE)

    # The general model also fits away noise of the reference, which is in every rise: a ladder
    # that leaves no more than the scans' own noise is as good.
    limit = max(as_good, NOISE_LEVEL * readings)
    pool: list[Ladder] = []
    begin: Ladder | None = None
    for hidden in (0, 1):
        found = fit_ladder(
            record,
            spans,
            fitted.tau_s @ general.coefficient[model.a],
            slowest_s=float(fitted.tau_s.max()),
            hidden=hidden,
            enough=enough,
            begin=begin,
        )
        begin = found[0]
        pool += [ladder for ladder in found if ladder.cost <= limit]
    if not pool:
        return None
    if not sure:
        pool += _valleys(record, min(pool, key=lambda ladder: ladder.cost), inflation)
    ladder = _weighed(pool, inflation)
    if sure:
        ladder = _widened(ladder, (CALIBRATION**2 - 1) * ladder.covariance)
    if ladder.cost <= as_good:
        return ladder
    beyond = np.maximum(np.abs(ladder.R_K_per_W - spans) - 2 * u, 0.0)
    return _widened(ladder, np.diag(beyond**2))


def still_to_come(record: CellRecord, ladder: Ladder) -> Array:
    """What of each span (m,) a step's response has not yet shown when the record ends [K/W].

    Σ_k (a_jk − a_j+1,k) exp(−t/τ_k), lags of sensors included.
    """
    model = LadderModel(record, ladder.hidden)
    ln_tau, a = (part[0] for part in model.poles(ladder.g[None])[:2])
    left = np.exp(-record.length_s * np.exp(-ln_tau)) @ a
    return left - np.append(left[1:], 0.0)


def _repeats(found: list[Ladder], more_cost: float, apart_u: float) -> int:
    """How many ladders are the lowest: hardly more costly, and the same in every span.

    apart_u: most that a span may be off, in its standard uncertainties.
    """
    lowest = min(found, key=lambda ladder: ladder.cost)
    u = np.sqrt(np.maximum(np.diag(lowest.covariance), np.finfo(float).tiny))
    return sum(
        ladder.cost < lowest.cost + more_cost
        and bool(np.all(np.abs(ladder.R_K_per_W - lowest.R_K_per_W) <= apart_u * u))
        for ladder in found
    )


def _valleys(record: CellRecord, best: Ladder, inflation: float) -> list[Ladder]:
    """What lies along the valleys through the best, begun anew wherever one leads further down."""
    found: list[Ladder] = []
    for _ in range(VALLEY_ROUNDS):
        most = best.cost + VALLEY_COST * min(inflation, best.inflation)
        along = _along(LadderModel(record, best.hidden, interpolated=True), best, most)
        found += along
        if not along or along[0].cost >= best.cost:
            break
        best = along[0]
    return found


def _along(model: LadderModel, best: Ladder, most: float) -> list[Ladder]:
    """Ladders along the valleys through the best: one resistance moved, the rest fitted anew.

    A short record may leave a resistance open over decades, where the slope at the minimum knows
    of none. most: cost up to which a valley is followed.
    """
    found = []
    for i in range(model.m):
        index = best.hidden + i
        for stride in (VALLEY_STRIDE, -VALLEY_STRIDE):
            g = best.g.copy()
            for _ in range(VALLEY_STEPS):
                mean, sd = best.mean.copy(), best.sd.copy()
                g[index] += stride
                mean[index], sd[index] = g[index], VALLEY_HELD
                minimum = minimise(model, g, mean, sd, good_cost=np.inf)
                g = minimum.g.copy()
                held = ((g[index] - mean[index]) / sd[index]) ** 2
                own = ((g[index] - best.mean[index]) / best.sd[index]) ** 2
                cost = float(minimum.cost - held + own)
                if cost < best.cost - SMALL_GAIN:
                    freed = minimise(model, g, best.mean, best.sd, good_cost=np.inf)
                    return [exact(model.record, ladder_at(model, best.mean, best.sd, freed))]
                if cost > most:
                    break
                found.append(replace(best, R_K_per_W=np.exp(g[model.own]), g=g, cost=cost))
    return found


def _weighed(pool: list[Ladder], inflation: float) -> Ladder:
    """The most likely ladder, its covariance widened by how far the others lie, by likelihood."""
    pool = sorted(pool, key=lambda ladder: ladder.cost + 2 * inflation * ladder.hidden)
    best, kept = pool[0], pool[:1]
    inflation = min(inflation, best.inflation)
    for ladder in pool[1:]:
        apart = [np.abs(np.log(ladder.R_K_per_W / other.R_K_per_W)).max() for other in kept]
        if min(apart) > SAME_MINIMUM:
            kept.append(ladder)
    lead = np.array(
        [ladder.cost - best.cost + 2 * inflation * (ladder.hidden - best.hidden) for ladder in kept]
    )
    share = np.exp(-np.maximum(lead, 0.0) / (2 * inflation))
    share /= share.sum()
    extra = np.zeros_like(best.covariance)
    for weight, ladder in zip(share, kept, strict=True):
        between = ladder.R_K_per_W - best.R_K_per_W
        more = ladder.covariance_known_offset - best.covariance_known_offset
        extra += weight * (np.outer(between, between) + more)
    return _widened(best, extra)


def _widened(ladder: Ladder, extra: Array) -> Ladder:
    return replace(
        ladder,
        covariance=ladder.covariance + extra,
        covariance_known_offset=ladder.covariance_known_offset + extra,
    )
