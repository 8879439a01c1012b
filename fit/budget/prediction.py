"""From a budget to what it predicts: resistances, temperatures, time constants, and how sure."""

from __future__ import annotations

import numpy as np

from fit.budget.dynamics import network, time_constants_u
from fit.budget.model import Array, Budget, Prediction
from fit.budget.sampling import draw, draw_stages
from fit.budget.stages.surface import Surface

DRAWS = 4000
ROUNDS = 25
CAPACITY_U = 0.3  # relative, of a heat capacity stated without its own: our judgement


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
    surface's resistance is solved at the heat that reaches it. The uncertainty of the time
    constants follows from that of the resistances and heat capacities (JCGM 100).

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
    share_u = min(conditions.path_fraction_u, 0.5 * fraction)
    # The uncertainty of a run's own power belongs to its rig, not to the budget.
    power_u = conditions.power_W_u if power_W is None else 0.0
    shared = {
        "path_fraction": draw("path_fraction", fraction, share_u, draws, bounded=True),
        "power_W": draw("power_W", max(power, 1e-9), power_u, draws),
    }
    inputs, leak = draw_stages(budget, draws), _leaks(budget, draws)
    heat = shared["path_fraction"] * shared["power_W"]
    own, flow = _solve(budget, inputs, leak, heat, ambient)
    seen = own * (flow / heat)
    drops = own * flow
    rises = np.cumsum(drops[::-1], axis=0)[::-1]
    C = np.array([stage.C_J_per_K or 0.0 for stage in budget.stages])
    first, amplitudes, tau = network(own[:, 0], C, leak[:, 0])
    return Prediction(
        budget=budget,
        power_W=power,
        ambient_degC=ambient,
        R_K_per_W=seen[:, 0],
        R_covariance=np.atleast_2d(np.cov(seen[:, 1:])),
        C_J_per_K=C,
        rise_K={n: float(rises[i, 0]) for i, n in enumerate(budget.nodes[:-1])}
        | {budget.nodes[-1]: 0.0},
        rise_u_K={n: float(rises[i, 1:].std(ddof=1)) for i, n in enumerate(budget.nodes[:-1])}
        | {budget.nodes[-1]: 0.0},
        tau_s=tau,
        tau_u_s=_tau_u(budget, own, C, leak[:, 0]),
        foster_node=budget.nodes[first],
        foster_R_K_per_W=amplitudes,
        foster_tau_s=tau,
        drivers=_drivers(budget, inputs, shared, rises[0]),
        warnings=(*_warnings(budget, rises[:, 0]), *_over_limits(budget, seen[:, 0])),
    )


def _solve(
    budget: Budget,
    inputs: tuple[dict[str, Array], ...],
    leak: Array,
    heat: Array,
    ambient_degC: float,
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
        flow[i] = arriving * (onward[i] / (onward[i] + leak[i]))  # all of it where nothing leaks
        arriving = flow[i]
    return flow


def _leaks(budget: Budget, draws: int) -> Array:
    """Conductance beside the path from each stage's from node (stages, draws + 1) [W/K]."""
    leak = np.zeros((len(budget.stages), draws + 1))
    for number in range(len(budget.leaks)):
        node = budget.nodes.index(budget.leaks[number].node)
        leak[node] += 1 / _leak_R(budget, number, draws)
    return leak


def _leak_R(budget: Budget, number: int, draws: int) -> Array:
    side = budget.leaks[number]
    return draw(f"leak {number}", side.R_K_per_W, side.R_u_K_per_W, draws)


def _tau_u(budget: Budget, own: Array, C: Array, leak: Array) -> Array:
    relative = [
        CAPACITY_U if stage.C_u_J_per_K is None else stage.C_u_J_per_K / max(value, 1e-12)
        for stage, value in zip(budget.stages, C, strict=True)
    ]
    ln_R_covariance = np.atleast_2d(np.cov(np.log(own[:, 1:])))
    return time_constants_u(own[:, 0], C, leak, ln_R_covariance, np.array(relative))


def _drivers(
    budget: Budget,
    inputs: tuple[dict[str, Array], ...],
    shared: dict[str, Array],
    rise: Array,
) -> tuple[tuple[str, str, float], ...]:
    """Inputs by their share of the variance of the hottest node's rise (squared correlation)."""
    named = [("conditions", key, values) for key, values in shared.items()]
    named += [
        (stage.name, key, values)
        for stage, keys in zip(budget.stages, inputs, strict=True)
        for key, values in keys.items()
    ]
    named += [
        (f"leak at {side.node}", "R_K_per_W", _leak_R(budget, number, len(rise) - 1))
        for number, side in enumerate(budget.leaks)
    ]
    unsure = [candidate for candidate in named if np.ptp(candidate[2]) > 0]
    if not unsure or not np.ptp(rise) > 0:
        return ()
    drawn = np.array([values[1:] for _, _, values in unsure])
    drawn -= drawn.mean(axis=1, keepdims=True)
    deviation = rise[1:] - rise[1:].mean()
    correlation = drawn @ deviation / np.sqrt((drawn**2).sum(axis=1) * (deviation**2).sum())
    found = [
        (name, key, float(r**2)) for (name, key, _), r in zip(unsure, correlation, strict=True)
    ]
    return tuple(sorted(found, key=lambda driver: -driver[2]))


def _warnings(budget: Budget, rises: Array) -> tuple[str, ...]:
    """Where a stage leaves the range its formula holds for."""
    return tuple(
        f"{stage.name}: {remark}"
        for stage, rise in zip(budget.stages, rises, strict=True)
        if stage.keys is not None and (remark := stage.keys.remark(float(rise)))
    )


def _over_limits(budget: Budget, R_K_per_W: Array) -> list[str]:
    """Stages that the budget itself puts over their limits."""
    return [
        f"{stage.name}: {R:.3g} K/W is predicted, over its own limit_K_per_W of "
        f"{stage.limit_K_per_W:g}: no such part can conform"
        for stage, R in zip(budget.stages, R_K_per_W, strict=True)
        if stage.limit_K_per_W is not None and stage.limit_K_per_W < R
    ]
