"""What to expect of the span from a junction to its tab, read by its own forward voltage.

The windows of the predicted product are simulated and measured by `measure_junction` itself, some
times with noise of a fixed seed: the plan states what the run will. One more time, with a tenth of
the noise, shows what averaging hardly takes away: silicon's curve above the cool-down, and the lag
of the tab's bead.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from fit.budget.limits import stage_limits
from fit.budget.model import Array, Prediction
from fit.errors import NotIdentifiable
from fit.measurement.junction import Junction, measure_junction
from fit.measurement.junction_extrapolation import FEWEST_WINDOWS, TOO_LATE, extrapolate
from fit.planning.bench import Bench
from fit.planning.expected import MORE_POWER, SEED, Expected, members
from fit.planning.forward_voltage import ForwardVoltage, Heated, Scanned, record
from fit.planning.network import lumped_network, stated_capacity

DRAWS = 4  # of noise: the scatter of 60 windows is then known to some 5 %
CURVE_DRAWS = 2  # at the other times, which are only drawn
LOOKS = 8  # times at which the windows are simulated; between them interpolated. Ours
UNKNOWN = 3.0  # times its resistance: its uncertainty where the record carries no answer yet
TYPICAL_TAU_S = 0.016  # where no C_J_per_K is stated: power packages have 5-50 ms (common practice)
NAMES = {
    "fit": "readings",
    "discrepancy": "method",
    "sensor_match": "sensor_match",
    "power": "power",
}
"""Contribution to a junction as measured -> part of the plan."""
LASTING = ("calibration", "method", "sensor_match", "power", "path_share")


@dataclass(frozen=True, eq=False)
class JunctionPlan:
    """The span to expect, or why it will not be measured."""

    expected: Expected | None = None  # of one span
    u_of: Callable[[float], float] | None = None  # excess [K/W] -> u of such a span [K/W]
    remarks: tuple[str, ...] = ()


def plan_junction(prediction: Prediction, bench: Bench, t_s: Array) -> JunctionPlan:
    """What to expect of the junction.

    Args:
        prediction: of the budget, a chain, at the run's power.
        bench: how it is measured; its first node is the tab.
        t_s: times heated, ascending, the bench's own among them (t,) [s].

    Returns:
        The span's uncertainties; nothing where the bench reads no forward voltage.
    """
    voltage = bench.voltage
    if voltage is None:
        return JunctionPlan()
    tab, path = bench.nodes[0], prediction.budget.nodes
    name = f"{voltage.node} - {tab}"
    if voltage.node not in path[: path.index(tab)]:
        why = f"the budget has no '{voltage.node}' above '{tab}'"
        return JunctionPlan(remarks=(f"{name} will not be planned: {why}",))
    R, tau_s, guessed = _resistance_and_time(prediction, voltage.node, tab)
    heated, scanned = _heated(prediction, bench, R, tau_s), _scanned(bench)
    try:
        _refuse(voltage, tau_s)
        at_end = contributions(heated, voltage, scanned, bench.heat_s)
    except NotIdentifiable as error:
        return JunctionPlan(remarks=(f"{name} will not be measured: {error}",))
    share = prediction.budget.conditions.path_fraction

    def u_of(excess_K_per_W: float) -> float:
        factor = 1 + excess_K_per_W / R
        try:
            found = contributions(heated.larger(factor), voltage, scanned, bench.heat_s)
        except NotIdentifiable:
            return UNKNOWN * R * factor
        return _total(found) / share

    known = {bench.heat_s: at_end}
    chosen = np.unique(np.linspace(0, len(t_s) - 1, LOOKS).round().astype(int))
    for t in set(t_s[chosen].tolist()) - {bench.heat_s}:
        try:
            known[t] = contributions(heated, voltage, scanned, t, CURVE_DRAWS)
        except NotIdentifiable:
            continue
    whole = _expected(prediction, (voltage.node, tab), R, t_s, known)
    return JunctionPlan(whole, u_of, _assumed(voltage, tau_s, guessed))


def contributions(
    heated: Heated,
    voltage: ForwardVoltage,
    scanned: Scanned,
    heat_s: float,
    draws: int = DRAWS,
) -> dict[str, float]:
    """Standard uncertainty of the span by source, as a run will state it.

    Args:
        heated: the junction.
        voltage: how it is read.
        scanned: how its tab is.
        heat_s: heated so long [s].
        draws: of noise, averaged.

    Returns:
        "readings", "calibration", "method", "sensor_match" and "power", each per recorded watt
        [K/W].

    Raises:
        NotIdentifiable: such a run does not carry it; says why.
    """
    drawn = [_measured(heated, voltage, scanned, heat_s, draw=draw) for draw in range(draws)]
    mean = {name: float(np.mean([one.covariance[name] for one, _ in drawn])) for name in NAMES}
    quiet, _ = _measured(heated, voltage, scanned, heat_s, draw=DRAWS, quieter=MORE_POWER)
    calibration = min(quiet.covariance["fit"], mean["fit"])
    # Line less cubic is one number a run, and noise in most: what to expect of it, not what it was.
    noise = float(np.mean([_noise_of_method(one, windows, heated) for one, windows in drawn]))
    variance = {NAMES[name]: one for name, one in mean.items()}
    variance |= {
        "readings": mean["fit"] - calibration,
        "calibration": calibration,
        "method": quiet.covariance["discrepancy"] + noise,
    }
    return {name: float(np.sqrt(one)) for name, one in variance.items()}


def _measured(
    heated: Heated,
    voltage: ForwardVoltage,
    scanned: Scanned,
    heat_s: float,
    *,
    draw: int,
    quieter: float = 1.0,
) -> tuple[Junction, list[tuple[Array, Array]]]:
    """One simulated run as measured, and the windows it was measured by."""
    random = np.random.default_rng([SEED, draw])
    run, signals = record(heated, voltage, scanned, heat_s, random=random, quieter=quieter)
    found, windows = measure_junction(run, signals), run.vf_windows
    assert found is not None
    assert windows is not None
    hot = np.flatnonzero(windows.opened_s < scanned.soak_s + heat_s)[-found.windows :]
    each = list(windows)
    return found, [each[i] for i in hot]


def _noise_of_method(found: Junction, windows: list[tuple[Array, Array]], heated: Heated) -> float:
    """Variance that noise gives to line less cubic, from groups of windows [(K/W)^2]."""
    groups = [
        windows[i : i + FEWEST_WINDOWS]
        for i in range(0, len(windows) - FEWEST_WINDOWS + 1, FEWEST_WINDOWS)
    ]
    if len(groups) < 2:
        return found.covariance["discrepancy"]
    apart_V = np.array([extrapolate(group).method_V for group in groups])
    per_volt = 1 / (1e-3 * found.calibration.K_mV_per_K * heated.power_W)
    return float(apart_V.var(ddof=1)) / len(groups) * per_volt**2


def _total(parts: Mapping[str, float]) -> float:
    return float(np.sqrt(sum(u**2 for u in parts.values())))


def _refuse(voltage: ForwardVoltage, tau_s: float) -> None:
    """What is known not to do before anything is simulated."""
    if not voltage.cool_s and not voltage.points:
        raise NotIdentifiable(
            "the sequence has no cool-down (cool_s) and the channel no points_degC_V, and nothing "
            "else calibrates its forward voltage"
        )
    if voltage.first_s > TOO_LATE * tau_s:
        raise NotIdentifiable(
            f"its first reading comes {1e3 * voltage.first_s:.2g} ms after the interruption, later "
            f"than {TOO_LATE:g} of its time constant of {1e3 * tau_s:.2g} ms (R C of the budget)"
        )


def _resistance_and_time(prediction: Prediction, node: str, tab: str) -> tuple[float, float, bool]:
    """From a node to its tab: resistance [K/W], mean time [s], and whether that is a guess."""
    budget = prediction.budget
    joined = budget.joined_resistance(prediction.R_K_per_W)
    C = stated_capacity(prediction)
    way = budget.nodes[budget.nodes.index(node) : budget.nodes.index(tab)]
    below = np.array([float(members(prediction, one, tab) @ joined) for one in way])
    stored = np.array([C[budget.joined.index(one)] for one in way])
    tau_s = float(stored @ below**2 / below[0])
    return float(below[0]), tau_s or TYPICAL_TAU_S, not tau_s


def _heated(prediction: Prediction, bench: Bench, R: float, tau_s: float) -> Heated:
    share, power = prediction.budget.conditions.path_fraction, prediction.power_W
    network, _ = lumped_network(prediction, bench.nodes, share)

    def tab_rise_K(since_s: Array) -> Array:
        return np.asarray(power * network.rise_K_per_W(since_s)[:, 0])

    return Heated(R * share * power, tau_s, power, prediction.ambient_degC, tab_rise_K)


def _scanned(bench: Bench) -> Scanned:
    tab = bench.nodes[0]
    return Scanned(
        tab=tab,
        interval_s=bench.interval_s,
        soak_s=bench.soak_s,
        noise_K=bench.noise_K,
        step_K=bench.step_K,
        match_u=bench.match_u.get(tab, 0.0),
        power_u=bench.power_u,
    )


def _expected(
    prediction: Prediction,
    ends: tuple[str, str],
    R: float,
    t_s: Array,
    known: Mapping[float, Mapping[str, float]],
) -> Expected:
    """The span's parts against time: in the logarithms between the times that are known."""
    budget = prediction.budget
    own = budget.conditions
    group = members(prediction, *ends)
    slope = group @ budget.joined_slope(prediction.R_K_per_W)
    at = np.array(sorted(known))
    early = t_s < at[0]
    parts = {}
    for name in known[at[0]]:
        u = np.array([known[t][name] for t in at]) / own.path_fraction
        drawn = np.exp(np.interp(np.log(t_s), np.log(at), np.log(np.maximum(u, 1e-12))))
        parts[name] = np.where(early, UNKNOWN * R if name == "readings" else 0.0, drawn)[
            :, np.newaxis
        ]
    of_share = own.path_fraction_u / own.path_fraction * R
    parts |= {
        "path_share": np.full((len(t_s), 1), of_share),
        "discrepancy": np.zeros((len(t_s), 1)),
    }
    return Expected(
        ends=(ends,),
        stages=(budget.tree.links_between(*ends),),
        R_K_per_W=np.array([R]),
        predicted_u_K_per_W=np.array([np.sqrt(slope @ prediction.R_covariance @ slope)]),
        limit_K_per_W=np.array([group @ budget.joined_resistance(stage_limits(prediction))]),
        t_s=t_s,
        parts=parts,
        lasting={name: parts[name][-1] for name in LASTING},
    )


def _assumed(voltage: ForwardVoltage, tau_s: float, guessed: bool) -> tuple[str, ...]:
    """What was taken where nobody states it."""
    said = [
        f"{voltage.node}: a reading's noise {1e3 * voltage.noise_V:.2g} mV and step "
        f"{1e3 * voltage.step_V:.2g} mV, the first at {1e3 * voltage.first_s:.2g} ms, a window "
        "a scan (noise_mV and first_us of the channel, else as the virtual bench has them)"
    ]
    if guessed:
        said.append(
            f"no C_J_per_K for {voltage.node}: a time constant of {1e3 * tau_s:.2g} ms taken "
            "(common practice)"
        )
    return tuple(said)


def junction_first(junction: Expected, others: Expected, at: int | None = None) -> Expected:
    """The junction's span before the others, where they begin at its tab.

    Args:
        junction: of one span.
        others: measured by thermocouples.
        at: the one time of the junction's that the others were looked at; all where None.

    Returns:
        All of them; the others alone where they begin elsewhere.
    """
    if others.ends[0][0] != junction.ends[0][1]:
        return others
    rows = slice(None) if at is None else slice(at, at + 1)
    none = np.zeros_like(others.u_K_per_W)
    names = dict.fromkeys((*others.parts, *junction.parts))  # in order: sums stay what they are
    first = {name: junction.parts.get(name, np.zeros((len(junction.t_s), 1))) for name in names}
    return replace(
        others,
        ends=junction.ends + others.ends,
        stages=junction.stages + others.stages,
        R_K_per_W=np.append(junction.R_K_per_W, others.R_K_per_W),
        predicted_u_K_per_W=np.append(junction.predicted_u_K_per_W, others.predicted_u_K_per_W),
        limit_K_per_W=np.append(junction.limit_K_per_W, others.limit_K_per_W),
        parts={
            name: np.hstack([first[name][rows], others.parts.get(name, none)]) for name in names
        },
        lasting={},
    )
