"""From a budget to what it predicts: resistances, temperatures, time constants, and how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from fit.budget.dynamics import dynamics
from fit.budget.inputs import path_key
from fit.budget.model import Array, Budget, Prediction
from fit.budget.sampling import draw, draw_leaks, draw_path_fraction, draw_stages
from fit.budget.stages.surface import Surface
from fit.network.steady_state import Drop, SteadyState, resistance_matrix, steady_state
from fit.notation import digits

DRAWS = 4000  # a standard uncertainty to 1 % of itself, 1/sqrt(2 n); JCGM 101, 7.2
SOLDER_MELTS_degC = 217.0  # SnAgCu; common practice
CAPACITY_U = 0.3  # relative, of a heat capacity stated without its own: our judgement


def predict(
    budget: Budget,
    power_W: float | Sequence[float] | None = None,
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
        power_W: electrical power; the budget's own when None [W]. One number for all sources is
            shared among them as the budget does; else one a source.
        ambient_degC: air temperature; the budget's own when None [degC].
        path_fraction: share of the power on this path; the budget's own when None.
        draws: Monte Carlo draws.

    Raises:
        ValueError: the wrong number of powers.
    """
    conditions = budget.conditions
    powers = source_powers(budget, power_W)
    power = float(powers.sum())
    ambient = conditions.ambient_degC if ambient_degC is None else ambient_degC
    # The uncertainty of a run's own power belongs to its rig, not to the budget.
    power_u = conditions.power_W_u if power_W is None else 0.0
    shared = {"power_W": draw("power_W", max(power, 1e-9), power_u, draws)}
    heat = np.empty((draws + 1, len(budget.sources)))  # into the path [W]
    for s, source in enumerate(budget.sources):
        name = path_key(source)
        fraction = source.path_fraction if path_fraction is None else path_fraction
        stated = replace(source, path_fraction=fraction)
        shared[name] = draw_path_fraction(budget, stated, draws)
        heat[:, s] = (
            shared[name] * shared["power_W"] * (powers[s] / max(power, 1e-9) if power else 1)
        )
    inputs, leaks = draw_stages(budget, draws), draw_leaks(budget, draws)
    first = budget.tree.source_index[0]
    rest = _at_rest(budget, inputs, leaks, heat, ambient)
    stages = len(budget.stages)
    own, flow = rest.R_K_per_W[:, :stages], rest.flow_W[:, :stages]
    seen = _seen(budget, own, flow, heat)
    C = np.array([stage.C_J_per_K or 0.0 for stage in budget.stages])
    in_time = dynamics(
        budget,
        rest.R_K_per_W[0],
        C,
        np.atleast_2d(np.cov(np.log(own[1:]), rowvar=False)),
        _relative_capacity_u(budget, C),
    )
    return Prediction(
        budget=budget,
        power_W=power,
        ambient_degC=ambient,
        R_K_per_W=seen[0],
        R_covariance=np.atleast_2d(np.cov(seen[1:], rowvar=False)),
        C_J_per_K=C,
        rise_K=_by_node(budget, rest.rise_K[0]),
        rise_u_K=_by_node(budget, rest.rise_K[1:].std(axis=0, ddof=1)),
        tau_s=in_time.tau_s,
        tau_u_s=in_time.tau_u_s,
        foster_node=in_time.foster_node,
        foster_R_K_per_W=in_time.foster_R_K_per_W,
        foster_tau_s=in_time.tau_s,
        drivers=_drivers(budget, inputs, leaks, shared, rest.rise_K[:, first]),
        heat_share=flow[0] / max(power, 1e-9),
        source_power_W=powers,
        resistance_matrix_K_per_W=resistance_matrix(budget.topology, rest.R_K_per_W[0])
        * (budget.path_fraction if path_fraction is None else path_fraction),
        warnings=(
            *_warnings(budget, rest.rise_K[0]),
            *_over_limits(budget, seen[0]),
            *_melted(budget, ambient + rest.rise_K[0]),
        ),
    )


def rises_K(budget: Budget, power_W: Array, ambient_degC: float) -> Array:
    """Rise of every node above ambient (nodes,) [K] by the stated values.

    Args:
        budget: the budget.
        power_W: electrical power of each source (sources,) [W].
        ambient_degC: air [degC].
    """
    heat = np.atleast_2d(power_W * budget.path_fraction)
    inputs, leaks = draw_stages(budget, 0), draw_leaks(budget, 0)
    return _at_rest(budget, inputs, leaks, heat, ambient_degC).rise_K[0]


def seen_K_per_W(
    budget: Budget,
    inputs: tuple[dict[str, Array], ...],
    leaks_K_per_W: Array,
    heat_W: Array,
    ambient_degC: float,
) -> Array:
    """What runs would see of every stage (draws, stages) [K/W]; see `Prediction`.

    Args:
        budget: the budget.
        inputs: of each stage its numeric keys (draws,).
        leaks_K_per_W: of the leaks (draws, leaks) [K/W].
        heat_W: of each source into the path (draws, sources) [W].
        ambient_degC: air [degC].
    """
    rest = _at_rest(budget, inputs, leaks_K_per_W, heat_W, ambient_degC)
    stages = len(budget.stages)
    return _seen(budget, rest.R_K_per_W[:, :stages], rest.flow_W[:, :stages], heat_W)


def source_powers(budget: Budget, power_W: float | Sequence[float] | None) -> Array:
    """Electrical power of each source (sources,) [W]; see `predict`."""
    own = np.array([source.power_W for source in budget.sources])
    if power_W is None:
        return own
    stated = np.atleast_1d(np.asarray(power_W, dtype=float))
    if len(stated) == len(own):
        return stated
    if len(stated) != 1:
        raise ValueError(f"{len(stated)} powers for {len(own)} sources; there must be one for each")
    return own * (stated[0] / own.sum())


def _seen(budget: Budget, own: Array, flow_W: Array, heat_W: Array) -> Array:
    """What a run sees of each stage (draws, stages) [K/W], from its own resistance.

    On a chain the drop over it per watt that enters upstream of it. On a tree leaks between
    branches are measured along with the stages, which are as they are.
    """
    if not budget.is_chain:
        return own
    member = budget.in_parallel
    through = flow_W @ member.T @ member  # of all stages in parallel together
    return np.asarray(own * (through / (heat_W @ budget.joined.carried.T @ member)))


def _at_rest(
    budget: Budget,
    inputs: tuple[dict[str, Array], ...],
    leaks: Array,
    heat: Array,
    ambient_degC: float,
) -> SteadyState:
    """The network of stages and leaks at rest, for draws of inputs and heat (draws, sources)."""
    R = np.empty((len(heat), len(budget.topology.links)))
    drops: dict[int, Drop] = {}
    for i, stage in enumerate(budget.stages):
        if isinstance(stage.keys, Surface):
            drops[i] = partial(_surface_drop, stage.keys, inputs[i], ambient_degC)
        elif stage.keys is not None:
            R[:, i] = stage.keys.resistance(inputs[i])
    R[:, len(budget.stages) :] = leaks
    return steady_state(budget.topology, R, heat, drops)


def _surface_drop(
    surface: Surface, values: dict[str, Array], ambient_degC: float, heat_W: Array
) -> Array:
    return surface.rise_K(values, heat_W, ambient_degC)


def _by_node(budget: Budget, rise_K: Array) -> dict[str, float]:
    """Node -> value, nothing at ambient."""
    return dict(zip(budget.tree.nodes, rise_K.tolist(), strict=True)) | {budget.ambient: 0.0}


def _relative_capacity_u(budget: Budget, C: Array) -> Array:
    """Relative standard uncertainty of each stage's heat capacity (stages,)."""
    relative = [
        CAPACITY_U if stage.C_u_J_per_K is None else stage.C_u_J_per_K / max(value, 1e-12)
        for stage, value in zip(budget.stages, C, strict=True)
    ]
    return np.array(relative)


def _drivers(
    budget: Budget,
    inputs: tuple[dict[str, Array], ...],
    leaks: Array,
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
        (f"leak at {side.node}", "R_K_per_W", own)
        for side, own in zip(budget.leaks, leaks.T, strict=True)
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
    """Where a number looks like a slip of the unit, or a stage leaves its formula's range."""
    said = []
    for stage in budget.stages:
        if stage.keys is None:
            continue
        remark = stage.keys.remark(float(rises[budget.tree.index(stage.from_node)]))
        remarks = [*stage.keys.unusual(), *([remark] if remark else [])]
        said += [f"{stage.name}: {sentence}" for sentence in remarks]
    return tuple(said)


def _over_limits(budget: Budget, R_K_per_W: Array) -> list[str]:
    """Stages that the budget itself puts over their limits."""
    return [
        f"{stage.name}: {digits(R)} K/W is predicted, over its own limit_K_per_W of "
        f"{stage.limit_K_per_W:g}: no such part can conform"
        for stage, R in zip(budget.stages, R_K_per_W, strict=True)
        if stage.limit_K_per_W is not None and stage.limit_K_per_W < R
    ]


def _melted(budget: Budget, degC: Array) -> list[str]:
    """That the hottest node is where no product of boards and solder can be."""
    hottest = int(np.argmax(degC))
    if degC[hottest] <= SOLDER_MELTS_degC:
        return []
    return [
        f"{budget.tree.nodes[hottest]} comes to {digits(degC[hottest])} °C, and solder melts at "
        f"{SOLDER_MELTS_degC:.0f} °C: too much power, or a wrong unit in the budget"
    ]
