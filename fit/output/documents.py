"""Results as the contract's JSON documents: fit.json, check.json, `heatrun budget --json`.

Documents hold plain Python values; `run_folder.to_json` turns what is not finite into null.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import zip_longest
from typing import TYPE_CHECKING

import numpy as np

from fit.assessment.conformity import resolved_verdicts
from fit.identification.residuals import describe_residual
from fit.measurement.resolution import are_resolved

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fit.assessment.conformity import SpanVerdict, Verdict
    from fit.budget.model import Prediction
    from fit.identification.response import Response
    from fit.network.passivity import Passive
    from fit.records.run import Array

FIT, CHECK, BUDGET = "heatrun.fit/1", "heatrun.check/1", "heatrun.budget/1"


def fit_document(
    response: Response, intervals_s: Array | None = None, method: str = "linear"
) -> dict[str, object]:
    """The response as `heatrun.fit/1`.

    Resistances are per unit of the recorded power: K/W, or the unit of `resistance_unit`. `power_W`
    is null where the power was not recorded in watts; `power` and `power_unit` always state it.

    Args:
        response: as identified.
        intervals_s: 95 % interval of each time constant (K, 2) [s]; `linear_intervals` when None.
        method: how the intervals were found.

    Returns:
        The document, of plain Python values.
    """
    watts = response.power_unit == "W"
    if intervals_s is None:
        intervals_s = linear_intervals(response)
    # Without power only time constants are identified; resistances are unknown, not zero.
    known = 1.0 if response.power else float("nan")
    resolved = are_resolved(known * response.total_K_per_W, response.total_u_K_per_W)
    nodes = {}
    for j, node in enumerate(response.nodes):
        left = describe_residual(response.signals.t_s, response.residual_K[:, j])
        nodes[node] = {
            "R_K_per_W": _numbers(known * response.resistance_K_per_W[j]),
            "R_u_K_per_W": _numbers(known * response.resistance_u_K_per_W[j]),
            "R_total_K_per_W": known * float(response.total_K_per_W[j]),
            "R_total_u_K_per_W": known * float(response.total_u_K_per_W[j]),
            "resolved": bool(resolved[j]),
            "residual_rms_K": left.rms_K,
            "residual_autocorrelation": left.autocorrelation,
            "residual_p_white": left.p_white,
        }
    return {
        "schema": FIT,
        "reference": response.reference or None,
        "power_W": response.power if watts else None,
        "power": response.power,
        "power_unit": response.power_unit,
        "resistance_unit": resistance_unit(response.power_unit),
        "time_constants": [
            {"tau_s": float(tau), "u_s": float(u), "interval_95_s": _numbers(interval)}
            for tau, u, interval in zip(response.tau_s, response.tau_u_s, intervals_s, strict=True)
        ],
        "intervals": method,
        "nodes": nodes,
        "foster": {
            "node": response.foster_node,
            "R_K_per_W": _numbers(known * response.foster_R_K_per_W),
            "R_u_K_per_W": _numbers(known * response.foster_R_u_K_per_W),
            "tau_s": _numbers(response.foster_tau_s),
            "tau_u_s": _numbers(response.foster_tau_u_s),
        },
        "cauer": _cauer(response),
        "residual_rms_K": response.residual_rms_K,
        "samples": response.samples,
        "settled": response.settled,
        "not_resolved": list(response.not_resolved),
        "left_out": list(response.signals.left_out),
        "warnings": list(response.warnings),
    }


def check_document(verdict: Verdict) -> dict[str, object]:
    """The verdict as `heatrun.check/1`.

    Args:
        verdict: of one run.

    Returns:
        The document, of plain Python values.
    """
    return {
        **_measured_sources(verdict),
        **_junction(verdict),
        "schema": CHECK,
        "decision": verdict.decision,
        "power_W": verdict.measured.power_W,
        "spans": [
            _span(span, resolved) | _whose_heat(verdict, span)
            for span, resolved in zip(verdict.spans, resolved_verdicts(verdict.spans), strict=True)
        ],
        "findings": [
            {
                "kind": finding.kind,
                "where": finding.where,
                "probability": finding.probability,
                "text": " ".join((finding.text, *finding.steps[:1])),
                "lead": finding.lead,
                "steps": list(finding.steps),
                "caution": finding.caution,
            }
            for finding in verdict.findings
        ],
        "time_constants": [
            {
                "measured_s": constant.measured_s,
                "measured_u_s": constant.measured_u_s,
                "predicted_s": constant.predicted_s,
            }
            for constant in verdict.time_constants
        ],
        "warnings": list(verdict.warnings),
    }


def _junction(verdict: Verdict) -> dict[str, object]:
    """What a junction's forward voltage adds: how it was calibrated and read."""
    junction = verdict.measured.junction
    if junction is None:
        return {}
    return {
        "junction": {
            "node": junction.node,
            "K_mV_per_K": junction.calibration.K_mV_per_K,
            "K_u_mV_per_K": junction.calibration.K_u_mV_per_K,
            "calibrated_by": "cool-down" if junction.calibration.of_its_own else "points",
            "above_K": junction.above_K,
            "method_K": junction.method_K,
            "windows": junction.windows,
            "first_s": junction.first_s,
            "tau_s": junction.tau_s,
        }
    }


def _whose_heat(verdict: Verdict, span: SpanVerdict) -> dict[str, object]:
    """The sources whose heat a span carries, of several."""
    budget = verdict.prediction.budget
    if not budget.named_sources:
        return {}
    path = budget.joined.path
    return {
        "sources": [one.name for one in budget.sources if span.from_node in path(one.node)],
    }


def _measured_sources(verdict: Verdict) -> dict[str, object]:
    """What several sources add to `heatrun.check/1`."""
    found = verdict.sources
    if found is None:
        return {}
    return {
        "sources": {
            name: {"power_W": float(power)}
            for name, power in zip(found.names, found.power_W, strict=True)
        },
        "resistance_matrix": {
            "nodes": list(found.nodes),
            "sources": list(found.names),
            "K_per_W": found.matrix_K_per_W.tolist(),
            "above": found.above,
        },
        "reciprocity": [{"sources": [a, b], "z": z} for a, b, z in found.reciprocity],
    }


def _of_sources(prediction: Prediction) -> dict[str, object]:
    """What several sources add to `heatrun.budget/1`: each of them, and the resistance matrix."""
    from fit.budget.sources import outlook

    budget = prediction.budget
    if not budget.named_sources:
        return {}
    hottest = budget.conditions.ambient_max_degC
    ambient = prediction.ambient_degC if hottest is None else hottest
    return {
        "sources": {
            one.name: {
                "node": one.node,
                "power_W": one.power_W,
                "alone_degC": one.alone_degC,
                "together_degC": one.together_degC,
                "ambient_degC": ambient,
                "limit_degC": one.limit_degC,
                "allowable_power_W": one.allowable_W,
            }
            for one in outlook(budget, prediction.source_power_W.tolist(), ambient)
        },
        "resistance_matrix": {
            "nodes": list(budget.tree.nodes),
            "sources": [source.name for source in budget.sources],
            "K_per_W": prediction.resistance_matrix_K_per_W.tolist(),
        },
    }


def budget_document(prediction: Prediction) -> dict[str, object]:
    """The prediction as `heatrun.budget/1`.

    `C_J_per_K` is null where the budget states none; `assumed_u` lists the inputs whose uncertainty
    is their kind's own default.

    Args:
        prediction: of a budget.

    Returns:
        The document, of plain Python values.
    """
    from fit.budget.worst_case import worst_case

    budget = prediction.budget
    R_u = np.sqrt(np.diag(prediction.R_covariance))
    worst = worst_case(prediction)
    return {
        **_of_sources(prediction),
        "schema": BUDGET,
        "title": budget.title,
        "power_W": prediction.power_W,
        "ambient_degC": prediction.ambient_degC,
        "path_fraction": budget.conditions.path_fraction,
        "stages": [
            {
                "name": stage.name,
                "from": stage.from_node,
                "to": stage.to_node,
                "kind": stage.kind,
                "R_K_per_W": float(prediction.R_K_per_W[i]),
                "R_u_K_per_W": float(R_u[i]),
                "C_J_per_K": float(prediction.C_J_per_K[i]) or None,
            }
            for i, stage in enumerate(budget.stages)
        ],
        "nodes": {
            node: {
                "rise_K": float(rise),
                "rise_u_K": float(prediction.rise_u_K[node]),
                "degC": float(prediction.ambient_degC + rise),
                "degC_u": float(
                    np.hypot(prediction.rise_u_K[node], budget.conditions.ambient_degC_u)
                ),
            }
            for node, rise in prediction.rise_K.items()
        },
        "worst_case": {
            node: {"degC": degC, "limit_degC": worst.limit_degC.get(node)}
            for node, degC in worst.degC.items()
        },
        "allowable_power_W": worst.allowable_W,
        "time_constants": [
            {"tau_s": float(tau)} | ({"u_s": float(u)} if u is not None else {})
            for tau, u in zip_longest(prediction.tau_s, prediction.tau_u_s)
        ],
        "foster": {
            "node": prediction.foster_node,
            "R_K_per_W": _numbers(prediction.foster_R_K_per_W),
            "tau_s": _numbers(prediction.foster_tau_s),
        },
        "drivers": [
            {"stage": stage, "key": key, "variance_share": share}
            for stage, key, share in prediction.drivers
        ],
        "assumed_u": [
            {"stage": stage.name, "key": key, "u_relative": number.u / number.value}
            for stage in budget.stages
            for key, number in stage.uncertain.items()
            if number.default
        ],
        "warnings": list(prediction.warnings),
    }


def linear_intervals(response: Response) -> Array:
    """95 % intervals of the time constants by linearisation, symmetric in ln τ.

    Args:
        response: as identified.

    Returns:
        Lower and upper bounds (K, 2) [s].
    """
    # Of a time constant that the record does not carry: so many decades are as good as any more.
    reach = np.minimum(1.96 * response.tau_u_s / response.tau_s, 300.0)
    spread = np.exp(reach)
    return np.column_stack([response.tau_s / spread, response.tau_s * spread])


def resistance_unit(power_unit: str) -> str:
    """Unit of a resistance per unit of the recorded power.

    Args:
        power_unit: of the record.

    Returns:
        The unit.

    >>> resistance_unit("W"), resistance_unit("% of drive")
    ('K/W', 'K/(% of drive)')
    """
    return f"K/{power_unit}" if " " not in power_unit else f"K/({power_unit})"


@dataclass(frozen=True, eq=False)
class Ladder:
    """The Cauer ladder of the heated node, heat source first."""

    R_K_per_W: Array  # (n,) [K/W]
    C_J_per_K: Array  # (n,) [J/K]
    network: Passive  # the Foster network whose ladder it is


def heated_ladder(response: Response) -> Ladder | None:
    """The ladder of the heated node, or of the nearest network of positive terms.

    Args:
        response: as identified.

    Returns:
        The ladder; None where the heated node does not rise, or its terms lie too close together to
        be converted.
    """
    from fit.network.foster_cauer import foster_to_cauer
    from fit.network.passivity import nearest_passive

    try:
        network = nearest_passive(response.foster_R_K_per_W, response.foster_tau_s)
        return Ladder(*foster_to_cauer(network.R_K_per_W, network.tau_s), network)
    except ValueError:
        return None


def _cauer(response: Response) -> dict[str, object] | None:
    ladder = heated_ladder(response)
    if ladder is None:
        return None
    return {
        "node": response.foster_node,
        "R_K_per_W": _numbers(ladder.R_K_per_W),
        "C_J_per_K": _numbers(ladder.C_J_per_K),
        "lag_s": list(ladder.network.lag_s),
        "absorbed_s": list(ladder.network.absorbed_s),
        "deviation": ladder.network.deviation,
        "taken_out": list(ladder.network.taken_out),
    }


def _span(span: SpanVerdict, resolved: bool) -> dict[str, object]:
    measured = None
    if span.measured_K_per_W is not None:
        measured = {
            "R_K_per_W": span.measured_K_per_W,
            "u_K_per_W": span.measured_u_K_per_W,
            "resolved": resolved,
        }
    return {
        "from": span.from_node,
        "to": span.to_node,
        "stages": list(span.stages),
        "heat_share": span.heat_share,
        "predicted": {"R_K_per_W": span.predicted_K_per_W, "u_K_per_W": span.predicted_u_K_per_W},
        "limit_K_per_W": span.limit_K_per_W,
        "measured": measured,
        "p_conforming": span.p_conforming,
        "E_n": span.E_n,
        "decision": span.decision,
    }


def _numbers(values: Array | Sequence[float]) -> list[float]:
    return [float(value) for value in values]
