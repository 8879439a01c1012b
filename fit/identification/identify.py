"""From signals to the identified network: shared time constants, per-node resistances."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from fit.errors import NotIdentifiable, about
from fit.identification.covariance import ParameterCovariance, positive
from fit.identification.energy_balance import CaseToAmbient, case_to_ambient
from fit.identification.evaluation import evaluate
from fit.identification.model_order import Fitted, Grid, choose, find_doubts, finish, fit_order
from fit.identification.pole_model import CellRecord, reduce
from fit.identification.response import Response
from fit.records.run import Array, Run
from fit.signals.preparation import Signals, prepare

# Of the slowest response still to come when a record counts as settled: four time constants. Ours.
SETTLED_SHARE = 0.02
POWERED = 0.02  # of the largest power: less is a supply's reading at zero. Ours


@dataclass(frozen=True, eq=False)
class Identification:
    """A response, and the fit that it came from: for intervals, a ladder, a longer record."""

    response: Response
    fitted: Fitted


def path_order(nodes: tuple[str, ...]) -> tuple[str, ...]:
    """Nodes in order of the heat path: as recorded, ambient last."""
    return tuple(sorted(nodes, key=lambda node: node == "ambient"))


def choose_reference(nodes: tuple[str, ...], reference: str | None) -> str:
    """The reference node: as asked, else ambient, else the last node; "" for a node on its own."""
    if reference is not None:
        if reference not in nodes:
            raise NotIdentifiable(
                f"reference {reference!r} was not measured; measured: {', '.join(nodes)}"
            )
        if len(nodes) == 1:
            raise NotIdentifiable(f"{reference!r} is the only node; nothing to refer to it")
        return reference
    if len(nodes) == 1:
        return ""
    return path_order(nodes)[-1]


def heating_power(power: Array) -> float:
    """Mean power while heating (0 when it never was)."""
    size = np.abs(power)
    on = size > POWERED * size.max()
    return float(power[on].mean()) if on.any() else 0.0


def identify(
    run: Run, reference: str | None = None, max_order: int = 6, order: int | None = None
) -> Response:
    """Fit shared time constants and per-node resistances, order chosen by the data.

    reference: the node rises are taken above; by default ambient, else the last node, else the
    node's own start. order: that many time constants, whatever the data say.
    Raises NotIdentifiable when the record does not carry an answer.
    """
    return identify_signals(prepare(run), reference, max_order, order, run=run).response


def identify_signals(
    signals: Signals,
    reference: str | None = None,
    max_order: int = 6,
    order: int | None = None,
    *,
    run: Run | None = None,
    near: Fitted | None = None,
) -> Identification:
    """Identify from prepared signals, and keep the fit; see `identify`.

    near: the fit of a shorter record of the same run, to start from.
    """
    with about(run.path if run else None):
        reference = choose_reference(signals.nodes, reference)
        # Ambient is not part of the network: above another reference it is no node of it.
        nodes = tuple(n for n in path_order(signals.nodes) if n not in (reference, "ambient"))
        if not nodes:
            raise NotIdentifiable("only ambient was measured: there is no node on the heat path")
        record = reduce(signals, nodes, reference)
        fitted, not_added = solve_record(record, max_order, order, near)
        return Identification(_response(signals, record, fitted, not_added, run), fitted)


def solve_record(
    record: CellRecord, max_order: int, order: int | None, near: Fitted | None = None
) -> tuple[Fitted, list[str]]:
    """The fit of a reduced record: of the order asked for, else of the order the data carries.

    Also why that has no further time constant.
    """
    if order is None:
        return choose(record, max_order, near)
    grid = Grid(record)
    fitted = None
    for k in range(1, order + 1):
        fitted = fit_order(grid, k, fitted, starts=3)
    assert fitted is not None
    return finish(fitted), []


def _response(
    signals: Signals,
    record: CellRecord,
    fitted: Fitted,
    not_added: list[str],
    run: Run | None,
) -> Response:
    model, solution = fitted.model, fitted.solution
    m = len(record.nodes)
    doubts = tuple(find_doubts(fitted))
    covariance = fitted.covariance
    power = heating_power(signals.power)
    a = solution.coefficient[model.a] if model.powered else np.zeros((fitted.order, m))
    tau = fitted.tau_s
    total = a.sum(axis=0)
    contributions = _contributions(
        signals, record, fitted, covariance, total=total, power=power, run=run
    )
    air = None
    if record.reference == "ambient" and power:
        air = case_to_ambient(signals, record.nodes[-1], power)
    unseen = _unseen_rise(air, total)
    contributions["fit"] = contributions["fit"] + unseen**2
    a_u = np.zeros_like(a)
    variance = np.diag(covariance.total)
    q, p = len(solution.theta), model.parameters
    for j in range(m if model.powered else 0):
        a_u[:, j] = np.sqrt(variance[q + p * j + model.a])
    slowest = int(np.argmax(tau))
    a_u[slowest] = np.hypot(a_u[slowest], unseen)
    tau_u = tau * np.sqrt(variance[: fitted.order])
    long_enough = bool(np.exp(-record.length_s / tau.max()) < SETTLED_SHARE)
    settled = long_enough and not unseen
    warnings = list(signals.warnings)
    if not model.powered:
        warnings.append("no power was on: time constants only, no resistances")
    if not settled:
        totals = f": totals to {record.reference or 'the start'} are extrapolated"
        short = (
            f"the record ({record.length_s:.0f} s) ends before the slowest time constant"
            f" ({tau.max():.0f} s{' or more' if unseen else ''}) has settled"
        )
        why = air.outlook if air is not None and long_enough else short
        warnings.append(why + (totals if model.powered else ""))
    return Response(
        reference=record.reference,
        nodes=record.nodes,
        power=power,
        power_unit=signals.power_unit,
        tau_s=tau,
        tau_u_s=tau_u,
        resistance_K_per_W=a.T.copy(),
        resistance_u_K_per_W=a_u.T.copy(),
        total_K_per_W=total,
        covariance=contributions,
        curves=partial(evaluate, signals, record, fitted),
        signals=signals,
        settled=settled,
        not_resolved=(*(doubt.text for doubt in doubts), *not_added),
        warnings=tuple(warnings),
        run=run,
        doubts=doubts,
        start_K=solution.coefficient[0],
        edge_shift_s=float(solution.theta[fitted.order :].sum()),
        air=air,
    )


def _unseen_rise(air: CaseToAmbient | None, total: Array) -> float:
    """What an unsettled record leaves open of every total to ambient [K/W], 0 where it is settled.

    Exponentials fitted to the start of a slow rise say where it would end as if they had seen it,
    and as if the case lost heat in proportion to its rise: the energy balance knows better.
    """
    if air is None or air.settled:
        return 0.0
    return float(np.hypot(total[-1] - air.R_K_per_W, np.sqrt(air.fit_variance)))


def _totals(matrix: Array, fitted: Fitted) -> Array:
    """Covariance (m, m) of the nodes' totals from that of all parameters."""
    model, q = fitted.model, len(fitted.solution.theta)
    m = len(model.record.nodes)
    pick = np.zeros((m, len(matrix)))
    if model.powered:
        for j in range(m):
            pick[j, q + model.parameters * j + model.a] = 1.0
    return pick @ matrix @ pick.T


def _contributions(
    signals: Signals,
    record: CellRecord,
    fitted: Fitted,
    covariance: ParameterCovariance,
    *,
    total: Array,
    power: float,
    run: Run | None,
) -> dict[str, Array]:
    """The named contributions to the covariance of the totals, (m, m) each [(K/W)^2]."""
    known = _totals(covariance.known_offset, fitted)
    offset = positive(_totals(covariance.total, fitted) - known)
    match_u, power_u = _stated_uncertainties(run, (*record.nodes, record.reference))
    rise = np.zeros(len(match_u))
    if power:
        temperature = signals.temperature_degC
        for i, node in enumerate((*record.nodes, record.reference)):
            if match_u[i]:
                series = temperature[:, signals.nodes.index(node)]
                rise[i] = (np.nanmax(series) - np.nanmin(series)) / power
    channel = (match_u * rise) ** 2
    return {
        "fit": known,
        "offset": offset,
        "sensor_match": np.diag(channel[:-1]) + channel[-1],
        "power": power_u**2 * np.outer(total, total),
    }


def _stated_uncertainties(run: Run | None, nodes: tuple[str, ...]) -> tuple[Array, float]:
    """Relative uncertainties of each node's channel (nodes,) and of the power, as stated."""
    if run is None:
        return np.zeros(len(nodes)), 0.0
    stated = run.metadata
    return np.array([stated.match_u.get(node, 0.0) for node in nodes]), stated.power_u
