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
    Ladder,
    Prior,
    exact,
    fit_ladder,
    ladder_at,
    minimise,
)
from fit.identification.ladder.settings import SETTINGS, SearchSettings
from fit.identification.model_order import Fitted
from fit.identification.pole_model import CellRecord
from fit.records.run import Array


def adequate_ladder(
    fitted: Fitted, spans: Array, covariance: Array, settings: SearchSettings = SETTINGS
) -> Ladder | None:
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
    sure = bool(np.all(u < settings.sure * np.abs(spans)))
    inflation = max(correlation_inflation(general), settings.least_inflation)
    # Gains, too: what they cost a ladder by their prior, the general model takes up for nothing.
    parameters = len(general.theta) + m * model.parameters - (4 * m + 1) + len(record.gained)
    rows = general.residual[: len(record.rise_K)]
    cost = general.cost - np.sum(rows**2) + np.sum((rows @ record.whitening) ** 2)
    as_good = float(cost) + inflation * chdtri(max(parameters, 1), settings.adequate)
    readings = record.noise_cost
    noise = readings + settings.noise_deviations * record.noise_cost_sd

    def enough(found: list[Ladder]) -> bool:
        if (
            len(found) > 1
            and min(ladder.cost for ladder in found) > settings.far_from_noise * noise
        ):
            return True
        if not sure:
            return _repeats(found, settings.same_cost, np.inf) > settings.repeats_unsure
        apart = np.abs(found[-1].R_K_per_W - spans)
        agrees = bool(
            np.all(apart < settings.agree_u * np.hypot(u, settings.agree_relative * np.abs(spans)))
        )
        if agrees and found[-1].cost <= min(as_good, noise):
            return True
        # Residuals that stay on one side for long are left by a minimum which is not the lowest.
        lowest = min(found, key=lambda ladder: ladder.cost)
        white = lowest.inflation < settings.white * lowest.cost / readings
        # A hidden lump that leaves the spans of the ladder without where they were confirms it.
        hardly_moved = (
            begin is not None
            and found[-1].cost <= begin.cost
            and _repeats([begin, found[-1]], np.inf, settings.moved_span_u) > 1
        )
        again = _repeats(found, inflation, settings.same_span_u) > settings.repeats_sure
        return white and (hardly_moved or again)

    # The general model also fits away noise of the reference, which is in every rise: a ladder
    # that leaves no more than the scans' own noise is as good.
    limit = max(as_good, readings)
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
            settings=settings,
        )
        begin = found[0]
        # Nor does one describe it that needs sensors as the rig's match makes them incredible.
        pool += [one for one in found if one.cost <= limit and one.gains_p >= settings.adequate]
    if not pool:
        return None
    if not sure:
        pool += _valleys(record, min(pool, key=lambda ladder: ladder.cost), inflation, settings)
    ladder = _weighed(pool, inflation, settings.same_minimum)
    if ladder.cost <= as_good:
        return ladder
    beyond = np.maximum(np.abs(ladder.R_K_per_W - spans) - 2 * u, 0.0)
    return _widened(ladder, np.diag(beyond**2))


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


def _valleys(
    record: CellRecord, best: Ladder, inflation: float, settings: SearchSettings
) -> list[Ladder]:
    """Ladders along the valleys through the best one; restarted wherever one leads further down."""
    found: list[Ladder] = []
    for _ in range(settings.valley_rounds):
        most = best.cost + settings.valley_cost * min(inflation, best.inflation)
        model = LadderModel(record, best.hidden, interpolated=True, settings=settings)
        along = _along(model, best, most)
        found += along
        if not along or along[0].cost >= best.cost:
            break
        best = along[0]
    return found


def _along(model: LadderModel, best: Ladder, most: float) -> list[Ladder]:
    """Ladders along the valleys through the best: one resistance moved, the rest fitted again.

    A short record may leave a resistance open over decades, where the slope at the minimum knows
    of none. most: cost up to which a valley is followed.
    """
    found = []
    settings, prior = model.settings, best.prior
    for index in model.layout.spans:
        for stride in (settings.valley_stride, -settings.valley_stride):
            g = best.g.copy()
            for _ in range(settings.valley_steps):
                held = Prior(prior.mean.copy(), prior.sd.copy())
                g[index] += stride
                held.mean[index], held.sd[index] = g[index], settings.valley_held
                minimum = minimise(model, g, held)
                g = minimum.theta.copy()
                as_held = ((g[index] - held.mean[index]) / held.sd[index]) ** 2
                own = ((g[index] - prior.mean[index]) / prior.sd[index]) ** 2
                cost = float(minimum.cost - as_held + own)
                if cost < best.cost - settings.small_gain:
                    freed = ladder_at(model, minimise(model, g, prior))
                    return [exact(model.record, freed, settings)]
                if cost > most:
                    break
                R = model.layout.resistance(g)[model.layout.spans]
                found.append(replace(best, R_K_per_W=R, g=g, cost=cost))
    return found


def _weighed(pool: list[Ladder], inflation: float, same: float) -> Ladder:
    """The most likely ladder, its covariance widened by how far the others lie, by likelihood.

    same: of ln R, how near one minimum is to another that is the same.
    """
    pool = sorted(pool, key=lambda ladder: ladder.cost + 2 * inflation * ladder.hidden)
    best, kept = pool[0], pool[:1]
    inflation = min(inflation, best.inflation)
    for ladder in pool[1:]:
        apart = [np.abs(np.log(ladder.R_K_per_W / other.R_K_per_W)).max() for other in kept]
        if min(apart) > same:
            kept.append(ladder)
    lead = np.array(
        [ladder.cost - best.cost + 2 * inflation * (ladder.hidden - best.hidden) for ladder in kept]
    )
    share = np.exp(-np.maximum(lead, 0.0) / (2 * inflation))
    share /= share.sum()
    extra = np.zeros_like(best.contributions["fit"])
    for weight, ladder in zip(share, kept, strict=True):
        between = ladder.R_K_per_W - best.R_K_per_W
        more = ladder.contributions["fit"] - best.contributions["fit"]
        extra += weight * (np.outer(between, between) + more)
    return _widened(best, extra)


def _widened(ladder: Ladder, extra: Array) -> Ladder:
    parts = ladder.contributions
    return replace(ladder, contributions={**parts, "fit": parts["fit"] + extra})
