"""From a budget to what it predicts: resistances, temperatures, time constants, and how sure."""

from __future__ import annotations

import numpy as np

from fit.budget.model import Array, Budget, Prediction
from fit.budget.monte_carlo import draw_share, draw_stages
from fit.budget.surface import Surface
from fit.network import ladder_poles

DRAWS = 4000
ROUNDS = 25


def predict(
    budget: Budget,
    power_W: float | None = None,
    ambient_degC: float | None = None,
    path_fraction: float | None = None,
    draws: int = DRAWS,
) -> Prediction:
    """What a budget predicts at steady state for one power and one ambient temperature.

    Resistances, rises and time constants are those of the stated values; their uncertainties and
    covariance come from a Monte Carlo run over all inputs (JCGM 101), with a fixed seed. A
    surface's resistance is solved at the heat that reaches it.

    Args:
        budget: the budget.
        power_W: electrical power; the budget's own when None [W].
        ambient_degC: air temperature; the budget's own when None [degC].
        path_fraction: share of the power on this path; the budget's own when None.
        draws: Monte Carlo draws.
    """
    conditions = budget.conditions
    power = conditions.power_W if power_W is None else power_W
    ambient = conditions.ambient_degC if ambient_degC is None else ambient_degC
    fraction = conditions.path_fraction if path_fraction is None else path_fraction
    share = draw_share(fraction, min(conditions.path_fraction_u, 0.5 * fraction), draws)
    inputs = draw_stages(budget, draws)
    heat = share * max(power, 1e-9)
    own, flow = _solve(budget, inputs, heat, ambient)
    seen = own * flow / heat
    drops = own * flow
    rises = np.cumsum(drops[::-1], axis=0)[::-1]
    relative_power_u = conditions.power_W_u / conditions.power_W
    C = np.array([stage.C_J_per_K or 0.0 for stage in budget.stages])
    node, amplitudes, tau = _network(budget, own[:, 0], C)
    return Prediction(
        budget=budget,
        power_W=power,
        ambient_degC=ambient,
        R_K_per_W=seen[:, 0],
        R_covariance=np.atleast_2d(np.cov(seen[:, 1:])),
        C_J_per_K=C,
        rise_K={n: float(rises[i, 0]) for i, n in enumerate(budget.nodes[:-1])}
        | {budget.nodes[-1]: 0.0},
        rise_u_K={
            n: float(np.hypot(rises[i, 1:].std(ddof=1), relative_power_u * rises[i, 0]))
            for i, n in enumerate(budget.nodes[:-1])
        }
        | {budget.nodes[-1]: conditions.ambient_degC_u},
        tau_s=tau,
        foster_node=node,
        foster_R_K_per_W=amplitudes,
        foster_tau_s=tau,
        drivers=_drivers(budget, inputs, share, rises[0]),
        warnings=_warnings(budget),
    )


def _solve(
    budget: Budget, inputs: tuple[dict[str, Array], ...], heat: Array, ambient_degC: float
) -> tuple[Array, Array]:
    """Each stage's own resistance [K/W] and the heat through it [W], each (stages, draws + 1)."""
    size = len(budget.stages)
    own = np.empty((size, len(heat)))
    surface: Surface | None = None
    for i, stage in enumerate(budget.stages):
        if isinstance(stage.keys, Surface):
            surface = stage.keys
        elif stage.keys is not None:
            own[i] = stage.keys.resistance(inputs[i])
    leak = np.zeros(size)
    for side in budget.leaks:
        leak[budget.nodes.index(side.node)] += 1 / side.R_K_per_W
    flow = np.tile(heat, (size, 1))
    for _ in range(ROUNDS):
        if surface is not None:
            own[-1] = surface.rise_K(inputs[-1], flow[-1], ambient_degC) / flow[-1]
        before, flow = flow, _flows(own, leak, heat)
        if np.all(np.abs(flow - before) <= 1e-9 * heat):
            break
    return own, flow


def _flows(own: Array, leak: Array, heat: Array) -> Array:
    """Heat through each stage of a ladder with leaks to ambient at its nodes."""
    onward = np.empty_like(own)  # conductance to ambient through stage i, seen from its from node
    onward[-1] = 1 / own[-1]
    for i in range(len(own) - 2, -1, -1):
        onward[i] = 1 / (own[i] + 1 / (onward[i + 1] + leak[i + 1]))
    flow = np.empty_like(own)
    arriving = heat
    for i in range(len(own)):
        flow[i] = arriving * onward[i] / (onward[i] + leak[i])
        arriving = flow[i]
    return flow


def _network(budget: Budget, R: Array, C: Array) -> tuple[str, Array, Array]:
    """Foster network of the first node with a heat capacity: node, amplitudes, time constants."""
    stored = np.flatnonzero(C > 0)
    if not len(stored):
        return budget.nodes[0], np.array([]), np.array([])
    first = int(stored[0])
    amplitudes, tau = ladder_poles(R[first:], C[first:])
    order = np.argsort(tau)
    return budget.nodes[first], np.asarray(amplitudes)[order], np.asarray(tau)[order]


def _drivers(
    budget: Budget, inputs: tuple[dict[str, Array], ...], share: Array, rise: Array
) -> tuple[tuple[str, str, float], ...]:
    """Inputs by their share of the variance of the hottest node's rise (squared correlation)."""
    candidates = [("conditions", "path_fraction", share)] + [
        (stage.name, key, values)
        for stage, keys in zip(budget.stages, inputs, strict=True)
        for key, values in keys.items()
    ]
    found = [
        (name, key, float(np.corrcoef(values[1:], rise[1:])[0, 1] ** 2))
        for name, key, values in candidates
        if np.ptp(values) > 0
    ]
    return tuple(sorted(found, key=lambda driver: -driver[2]))


def _warnings(budget: Budget) -> tuple[str, ...]:
    said = []
    if budget.leaks and any(stage.C_J_per_K for stage in budget.stages):
        said.append("time constants are predicted without the side leaks")
    return tuple(said)
