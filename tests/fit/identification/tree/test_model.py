"""The response of a tree: against an integrator, its derivatives, its faults against made readings.

The integrator is SciPy's `solve_ivp` (Radau), which knows nothing of modes: a check from outside.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from fit.budget import predict
from fit.identification.ladder.layout import ParameterLayout
from fit.identification.tree.faults import Fault, FaultyModel
from fit.identification.tree.model import TreeModel
from fit.identification.tree.network import TreeNetwork, tree_network
from fit.identification.tree.record import source_record
from fit.records.run import Array, Run
from fit.signals.preparation import only, prepare
from tests.support.made_trees import (
    C_J_PER_K,
    LINKS,
    NODES,
    POWER_W,
    R_K_PER_W,
    SOURCES,
    TRUE_K_PER_W,
    budget,
    made_run,
)

ABOVE = NODES[:5]
POWERS = tuple(POWER_W)
INSTANT_S = 1e-3  # of a sensor that does not lag
MILLIKELVIN = 2e-3  # of 30 K: what cells and straight lines between scans may cost


def network() -> TreeNetwork:
    return tree_network(budget(), predict(budget(), POWERS), NODES[:-1], "case")


def model_of(run: Run, *, hot_start: bool = False, edge_free: bool = True) -> TreeModel:
    """The model of a run's record above its case."""
    signals = only(prepare(run), NODES[:-1])
    record = source_record(signals, ABOVE, "case", np.ones(2))
    layout = ParameterLayout(network().topology, (), hot_start, edge_free)
    return TreeModel(record, layout)


def truth(model: TreeModel, lag_s: Array | float = INSTANT_S) -> Array:
    """The product's own parameters, the power stepped at the scan."""
    R = np.array([TRUE_K_PER_W[link] for link in model.layout.topology.links])
    lags = np.broadcast_to(lag_s, len(ABOVE) + 1)
    return model.layout.pack(R, np.array(C_J_PER_K[:5]), lags, np.zeros(5), 0.0)


def integrated(case_degC: Callable[[float], float], lag_s: float) -> Run:
    """Two sources stepped at different times over a case whose temperature is imposed.

    C dT/dt = P − A^T q, and dT_read/dt = (T − T_read)/lag, as one system of equations.
    """
    t_s, until = np.arange(0.0, 901.0), (350.0, 700.0)
    begins = (60.0, 140.0)
    at = {node: i for i, node in enumerate(ABOVE)}
    inner = [(a, b, R) for (a, b), R in zip(LINKS, R_K_PER_W, strict=True) if b != "ambient"]

    def on(t: float) -> list[float]:
        spans = zip(POWERS, begins, until, strict=True)
        return [power if begin <= t < end else 0.0 for power, begin, end in spans]

    def slope(t: float, state: Array) -> Array:
        true, read = state[:5], state[5:]
        heat = np.zeros(5)
        heat[at["tab_1"]], heat[at["tab_2"]] = on(t + 1e-9)
        for start, end, R in inner:
            other = true[at[end]] if end in at else case_degC(t)
            flow = (true[at[start]] - other) / R
            heat[at[start]] -= flow
            if end in at:
                heat[at[end]] += flow
        return np.concatenate([heat / C_J_PER_K[:5], (true - read) / lag_s])

    state, rows = np.full(10, case_degC(0.0)), [np.full(10, case_degC(0.0))]
    edges = sorted({0.0, *begins, *until, t_s[-1]})
    for begin, end in pairwise(edges):
        inside = t_s[(t_s > begin) & (t_s <= end)]
        found = solve_ivp(slope, (begin, end), state, "Radau", inside, rtol=1e-9, atol=1e-9)
        rows += list(found.y.T)
        state = found.y[:, -1]
    read = np.array(rows)[:, 5:]
    power = np.array([on(t) for t in t_s])
    case = np.array([case_degC(t) for t in t_s])
    degC = np.column_stack([read, case, np.full_like(case, 25.0)])
    return replace(
        made_run(), nodes=NODES, t_s=t_s, temperature_degC=degC, power=power.sum(axis=1),
        source_power=power,
    )  # fmt: skip


def apart_K(model: TreeModel, value: Array) -> Array:
    """Modelled less recorded rise, constants aside, where there are readings."""
    seen = np.all(model.record.weight > 0, axis=1)
    apart = (value - model.record.rise_K)[seen]
    return np.asarray(apart - apart[0])


@pytest.mark.parametrize("lag_s", [0.5, 4.0])
def test_response_is_that_of_an_integrator(lag_s: float) -> None:
    """Sources on and off at four times, a case that swings by 3 K in 400 s and climbs by 8 K."""

    def case(t: float) -> float:
        moving = max(t - 60.0, 0.0)
        return float(25.0 + 0.01 * moving + 3.0 * np.sin(2 * np.pi * moving / 400.0))

    model = model_of(integrated(case, lag_s))
    lags = np.append(np.full(5, lag_s), INSTANT_S)
    value, _ = model(truth(model, lags))
    assert np.ptp(model.record.rise_K) > 15.0
    assert np.abs(apart_K(model, value)).max() < 5 * MILLIKELVIN


@pytest.mark.parametrize("hot_start", [False, True])
def test_derivatives_agree_with_differences(hot_start: bool) -> None:
    model = model_of(made_run(end_s=400.0, off_s=(150.0, 250.0)), hot_start=hot_start)
    g = truth(model, 0.8) + 0.05
    if hot_start:
        g[model.layout.left_over] = 0.3
    g[model.layout.edge] = -0.4
    J = model(g)[1]()
    assert J.shape[2] == model.layout.size
    for i in range(model.layout.size):
        h = 1e-4 * np.eye(model.layout.size)[i]
        numeric = (model(g + h)[0] - model(g - h)[0]) / 2e-4
        assert J[:, :, i] == pytest.approx(numeric, abs=1e-4)


def test_response_by_interpolated_filters_is_the_exact_one() -> None:
    """A millionth of the rise; a sensor that does not lag is as one that lags by a millisecond."""
    model = model_of(made_run(end_s=400.0, off_s=(150.0, 250.0)), hot_start=True)
    g = truth(model, np.linspace(INSTANT_S / 10, 4.0, len(ABOVE) + 1))
    g[model.layout.left_over], g[model.layout.edge] = 0.3, -0.4
    exact, derivatives = model(g)
    value, slopes = model.for_search(g)
    assert value == pytest.approx(exact, abs=2e-6 * np.abs(exact).max())
    assert slopes() == pytest.approx(derivatives(), abs=1e-4 * np.abs(derivatives()).max())


def test_sources_add_up_where_the_reference_rests() -> None:
    model = model_of(made_run(end_s=400.0, off_s=(150.0, 250.0)))
    g = truth(model)
    value, _ = model(g)
    filtered = model.sources.filtered(np.exp(model.poles(g[None])[0][0]))
    driven = -filtered.reference @ model.poles(g[None])[2][0]
    assert value - driven == pytest.approx(model.by_source(g).sum(axis=0))


def test_a_watt_at_one_source_warms_the_other_as_the_other_warms_it_at_all_times() -> None:
    model = model_of(made_run(end_s=400.0, off_s=(150.0, 250.0)))
    random = np.random.default_rng(3)
    g = truth(model) + np.concatenate([0.5 * random.standard_normal(11), np.zeros(7)])
    _, A, _, _ = model.poles(g[None])
    one, other = ABOVE.index("tab_1"), ABOVE.index("tab_2")
    assert A[0, 0, :5, other] == pytest.approx(A[0, 1, :5, one])


def test_rises_settle_at_the_resistance_matrix() -> None:
    model = model_of(made_run(end_s=400.0, off_s=(150.0, 250.0)))
    _, A, _, _ = model.poles(truth(model)[None])
    G = np.zeros((6, 6))
    for (a, b), R in TRUE_K_PER_W.items():
        if b != "ambient":
            i, j = NODES.index(a), NODES.index(b)
            G[[i, j], [i, j]] += 1 / R
            G[[i, j], [j, i]] -= 1 / R
    expected = np.linalg.inv(G[:5, :5])[[0, 2]]  # by each source's watt
    assert A[0].sum(axis=1) == pytest.approx(expected)


def faulty(run: Run, fault: Fault) -> FaultyModel:
    """The model of a run's record with one fault, given what it reads of the case."""
    sound = model_of(run)
    case = run.temperature_degC[:, NODES.index("case")] - 25.0
    middle = np.interp(sound.record.cells.middle_s, run.t_s, case)
    return FaultyModel(sound, fault, middle - middle[0])


def misread(node: str, missed: float) -> Run:
    """The run whose bead at a node misses a share of its rise above ambient."""
    run = made_run()
    degC, at = run.temperature_degC.copy(), NODES.index(node)
    degC[:, at] -= missed * (degC[:, at] - 25.0)
    return replace(run, temperature_degC=degC)


def overread(off: Mapping[int, float]) -> Run:
    return made_run(reads=[1 + off.get(s, 0.0) for s in range(2)])


FAULTS = {
    "a bead": (misread("back_2", 0.2), Fault(bead="back_2"), 0.2),
    "the first bead": (misread("tab_1", 0.35), Fault(bead="tab_1"), 0.35),
    "the reference's bead": (misread("case", 0.2), Fault(bead="case"), 0.2),
    "one power": (overread({1: 0.3}), Fault(sources={1: 1.0}), 0.3),
    "both powers": (overread({0: -0.2, 1: -0.2}), Fault(sources={0: 1.0, 1: 1.0}), -0.2),
    "one for another": (overread({0: 0.2, 1: -0.1}), Fault(sources={0: 1.0, 1: -0.5}), 0.2),
}


@pytest.mark.parametrize("case", FAULTS)
def test_readings_with_a_fault_are_those_made_with_it(case: str) -> None:
    run, fault, size = FAULTS[case]
    model = faulty(run, fault)
    value, _ = model(np.append(truth(model.sound), size))
    sound, _ = model.sound(truth(model.sound))
    assert np.abs(apart_K(model, sound)).max() > 0.5
    assert np.abs(apart_K(model, value)).max() < 5 * MILLIKELVIN


@pytest.mark.parametrize("case", FAULTS)
def test_derivatives_with_a_fault_agree_with_differences(case: str) -> None:
    run, fault, size = FAULTS[case]
    model = faulty(run, fault)
    g = np.append(truth(model.sound, 0.8), size)
    J = model(g)[1]()
    assert J.shape[2] == model.layout.size
    for i in range(model.layout.size):
        h = 1e-4 * np.eye(model.layout.size)[i]
        numeric = (model(g + h)[0] - model(g - h)[0]) / 2e-4
        assert J[:, :, i] == pytest.approx(numeric, abs=1e-4)


def test_names_of_sources_and_nodes_are_those_of_the_made_run() -> None:
    assert [source.name for source in budget().sources] == list(SOURCES)
