"""The standard uncertainty to expect of every span, at any time of a run, by source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from fit.budget.limits import stage_limits
from fit.budget.model import Array, Prediction
from fit.identification.energy_balance import case_to_ambient
from fit.measurement.discrepancy import LEAST_SCANS
from fit.planning.bench import Bench
from fit.planning.information import information
from fit.planning.network import Lumped, lumped_network, simulated
from fit.signals.preparation import Signals, only

AIR_TIMES = 12  # at which the energy balance is worked out; between them interpolated. Ours
SEED = 7  # of the noise it is worked out with: the same plan twice is the same
LONGEST = 8.0  # of the slowest time constant: by then all has settled. Ours
SYSTEMATIC = ("sensor_match", "power", "path_share")
"""What longer heating does not average down, or not for long."""
MORE_POWER = 10.0  # times: what it leaves of the sensors' match no part that bears it removes. Ours


@dataclass(frozen=True, eq=False)
class Expected:
    """Spans between the measured nodes and the uncertainty of each, per watt along the path."""

    ends: tuple[tuple[str, str], ...]  # (s,)
    stages: tuple[tuple[int, ...], ...]  # (s,) of the budget
    R_K_per_W: Array  # (s,) predicted
    predicted_u_K_per_W: Array  # (s,) of the prediction
    limit_K_per_W: Array  # (s,)
    t_s: Array  # (t,) heated so long
    parts: Mapping[str, Array]  # name -> (t, s) standard uncertainty [K/W]
    lasting: Mapping[str, Array]  # of the systematic ones, what no length nor power removes (s,)

    @property
    def u_K_per_W(self) -> Array:
        """All together (t, s)."""
        return np.asarray(np.sqrt(np.sum([part**2 for part in self.parts.values()], axis=0)))

    @property
    def lasting_u_K_per_W(self) -> Array:
        """What no length nor power removes (s,)."""
        return np.asarray(np.sqrt(np.sum([part**2 for part in self.lasting.values()], axis=0)))


def horizon_s(prediction: Prediction, bench: Bench) -> float:
    """How long a run is looked at: until all has settled, or as long as it heats [s]."""
    slowest = float(np.max(prediction.tau_s, initial=0.0))
    return max(bench.heat_s, LONGEST * slowest)


def expected(
    prediction: Prediction,
    bench: Bench,
    nodes: Sequence[str],
    t_s: Array,
    *,
    larger: tuple[int, float] | None = None,
) -> tuple[Expected, tuple[str, ...]]:
    """What to expect of a run that measures some nodes.

    Args:
        prediction: of the budget at the run's power.
        bench: how it is measured.
        nodes: measured, in order of the path, at least two.
        t_s: times heated, ascending (t,) [s].
        larger: a span of the product, and how many times as large as predicted it is.

    Returns:
        The spans with their uncertainties, and the nodes whose heat capacity nobody states.
    """
    budget = prediction.budget
    own = budget.conditions
    share, share_u = own.path_fraction, own.path_fraction_u
    network, unknown = lumped_network(prediction, nodes, share)
    network = network if larger is None else network.with_larger(*larger)
    power = prediction.power_W
    signals, scans = simulated(network, bench, power, float(t_s[-1]))
    group = np.array([members(prediction, a, b) for a, b in pairwise(nodes)])
    slope = group @ budget.joined_slope(prediction.R_K_per_W)
    R = group @ budget.joined_resistance(prediction.R_K_per_W)
    if larger is not None:
        R[larger[0]] *= larger[1]
    s = len(R)
    fit, to_come, match = np.zeros((3, len(t_s), s))
    lasting = np.zeros(s)
    with_air = nodes[-1] == budget.ambient
    inner = s - 1 if with_air else s
    if inner:
        told = information(
            network,
            signals,
            scans,
            reference=nodes[inner],
            noise_K=bench.reading_u_K,
            lag_s=bench.lag_s,
            match_u=bench.match_u,
        )
        for row, t in enumerate(t_s):
            each = told.span_covariance(float(t))
            fit[row, :inner] = np.sqrt(np.diag(each["fit"]))
            match[row, :inner] = np.sqrt(np.diag(each["sensor_match"]))
            to_come[row, :inner] = told.discrepancy_u_K_per_W(float(t), power)
            if t < 4 * LEAST_SCANS * bench.interval_s:
                to_come[row, :inner] = share * R[:inner]
        told_all = told.span_covariance(float(t_s[-1]), MORE_POWER)
        lasting[:inner] = np.sqrt(np.diag(told_all["sensor_match"]))
    if with_air:
        fit[:, -1] = _air_u(network, signals, bench, power, t_s) / np.sqrt(scans)
        channel = np.array([bench.match_u.get(node, 0.0) for node in nodes[-2:]])
        rise = np.atleast_2d(network.rise_K_per_W(t_s))[:, -2:] * channel
        match[:, -1] = np.hypot(*rise.T)
        lasting[-1] = match[-1, -1]
    parts = {
        "fit": fit / share,
        "discrepancy": np.abs(to_come) / share,
        "sensor_match": match / share,
        "power": np.tile(bench.power_u * R, (len(t_s), 1)),
        "path_share": np.tile(share_u / share * R, (len(t_s), 1)),
    }
    return (
        Expected(
            ends=tuple(pairwise(nodes)),
            stages=tuple(budget.tree.links_between(a, b) for a, b in pairwise(nodes)),
            R_K_per_W=R,
            predicted_u_K_per_W=np.sqrt(np.diag(slope @ prediction.R_covariance @ slope.T)),
            limit_K_per_W=group @ budget.joined_resistance(stage_limits(prediction)),
            t_s=t_s,
            parts=parts,
            lasting={
                **{name: parts[name][-1] for name in SYSTEMATIC},
                "sensor_match": lasting / share,
            },
        ),
        unknown,
    )


def members(prediction: Prediction, start: str, end: str) -> Array:
    """Which joined links of a budget lie between two nodes.

    Args:
        prediction: of the budget.
        start: node on the side of the heat source.
        end: node farther on.

    Returns:
        1 for every such link, 0 for the others (links,).
    """
    joined = prediction.budget.joined
    member = np.zeros(len(joined.links))
    member[list(joined.links_between(start, end))] = 1.0
    return member


def _air_u(network: Lumped, signals: Signals, bench: Bench, power: float, t_s: Array) -> Array:
    """Of case to ambient (t,) [K/W]: what the energy balance says of such a record itself."""
    random = np.random.default_rng(SEED)
    assert signals.noise_K is not None
    noise = signals.noise_K * random.standard_normal(signals.temperature_degC.shape)
    noisy = replace(
        signals,
        temperature_degC=signals.temperature_degC + noise,
        quantum_K=np.full(len(signals.nodes), bench.step_K),
    )
    edge_s = signals.power_edges_s[0] if signals.power_edges_s else 0.0
    chosen = t_s[np.unique(np.linspace(0, len(t_s) - 1, AIR_TIMES).round().astype(int))]
    u = []
    for t in chosen:
        rows = int(np.searchsorted(signals.t_s, edge_s + t, side="right"))
        found = case_to_ambient(_until(noisy, rows), network.measured[-2], power)
        u.append(np.sqrt(found.fit_variance + found.offset_variance))
    return np.exp(np.interp(np.log(t_s), np.log(chosen), np.log(u)))


def _until(signals: Signals, rows: int) -> Signals:
    """The first rows of a record."""
    return replace(
        only(signals, tuple(signals.nodes)),
        t_s=signals.t_s[:rows],
        temperature_degC=signals.temperature_degC[:rows],
        power=signals.power[:rows],
    )
