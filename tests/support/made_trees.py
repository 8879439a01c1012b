"""A product of two parts on one bar whose numbers are round: its budget, its truth, its runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from bench.virtual.prototype import Prototype, simulate
from fit.budget import read_budget
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.records.run import Array, Run

NODES = ("tab_1", "back_1", "tab_2", "back_2", "bar", "case", "ambient")
LINKS = (
    ("tab_1", "back_1"),
    ("back_1", "bar"),
    ("tab_2", "back_2"),
    ("back_2", "bar"),
    ("bar", "case"),
    ("back_1", "back_2"),
    ("case", "ambient"),
)
R_K_PER_W = (2.0, 0.8, 3.0, 1.2, 0.5, 25.0, 4.0)
C_J_PER_K = (1.0, 5.0, 1.5, 6.0, 40.0, 150.0)
TRUE_K_PER_W = dict(zip(LINKS, R_K_PER_W, strict=True))
SOURCES, POWER_W = ("charger", "driver"), (4.0, 2.5)
AMBIENT_DEGC = 25.0
STEP_S, SOAK_S = 1.0, 60.0

BUDGET = """
schema = 1
title = "Two parts on one bar (invented)"
[conditions]
ambient_degC = 25.0
ambient_max_degC = 40.0
[limits]
case_touch_degC = 60.0
[[source]]
name = "charger"
node = "tab_1"
power_W = 4.0
limit_degC = 105.0
[[source]]
name = "driver"
node = "tab_2"
power_W = 2.5
limit_degC = 100.0
[[stage]]
name = "vias 1"
from = "tab_1"
to = "back_1"
kind = "stated"
R_K_per_W = 2.0
R_u_K_per_W = 0.2
C_J_per_K = 1.0
[[stage]]
name = "pad 1"
from = "back_1"
to = "bar"
kind = "stated"
contact = true
R_K_per_W = 0.8
R_u_K_per_W = 0.08
C_J_per_K = 5.0
[[stage]]
name = "vias 2"
from = "tab_2"
to = "back_2"
kind = "stated"
R_K_per_W = 3.0
R_u_K_per_W = 0.3
C_J_per_K = 1.5
[[stage]]
name = "pad 2"
from = "back_2"
to = "bar"
kind = "stated"
contact = true
R_K_per_W = 1.2
R_u_K_per_W = 0.12
C_J_per_K = 6.0
[[stage]]
name = "joint"
from = "bar"
to = "case"
kind = "stated"
contact = true
R_K_per_W = 0.5
R_u_K_per_W = 0.05
C_J_per_K = 40.0
[[stage]]
name = "case to air"
from = "case"
to = "ambient"
kind = "stated"
R_K_per_W = 4.0
R_u_K_per_W = 0.4
C_J_per_K = 150.0
[[leak]]
node = "back_1"
to = "back_2"
R_K_per_W = 25.0
R_u_K_per_W = 15.0
"""


def write_budget(folder: Path, text: str = BUDGET) -> Path:
    """A budget.toml in a folder."""
    path = folder / "budget.toml"
    path.write_text(text, encoding="utf-8")
    return path


def changed(*changes: tuple[str, str]) -> str:
    """The budget's text with parts replaced, each of which it has."""
    text = BUDGET
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def prototype(**links: float) -> Prototype:
    """The product as it is; `back_1=2.4` gives the link from back_1 towards air that resistance."""
    starts = [start if (start, end) != LINKS[5] else "" for start, end in LINKS]
    R = [links.get(start, own) for start, own in zip(starts, R_K_PER_W, strict=True)]
    return Prototype(
        nodes=NODES,
        resistance_K_per_W=tuple(R),
        capacity_J_per_K=C_J_PER_K,
        ambient_degC=lambda t: AMBIENT_DEGC,
        links=LINKS,
        sources=("tab_1", "tab_2"),
    )


def one_after_another(heat_s: float = 600.0) -> Array:
    """Until when each source is on (sources,) [s after the soak]."""
    return heat_s * np.arange(1, 3)


def made_run(
    true: Prototype | None = None,
    off_s: Sequence[float] | Array | None = None,
    *,
    noise_K: float = 0.0,
    seed: int = 1,
    end_s: float = 1200.0,
    on: Sequence[bool] = (True, True),
    reads: Sequence[float] = (1.0, 1.0),
) -> Run:
    """A heat run: every source that is `on` heats from the end of the soak until its `off_s`.

    Args:
        true: the product.
        off_s: one after another, where not given (sources,) [s after the soak].
        noise_K: white noise of every reading, which has no lag and no offset.
        seed: of the noise.
        end_s: of the record, after the soak.
        on: which sources ever are (sources,).
        reads: recorded power over the true one (sources,).
    """
    until = one_after_another() if off_s is None else np.asarray(off_s)
    t_s = STEP_S * np.arange(int((SOAK_S + end_s) / STEP_S) + 1)
    heated = t_s[:, np.newaxis] - SOAK_S
    heats = (heated >= 0) & (heated < until) & np.array(on)
    power = np.where(heats, POWER_W, 0.0)
    degC = simulate(true or prototype(), t_s, power)
    exact = np.column_stack([degC[node] for node in NODES])
    noise = noise_K * np.random.default_rng(seed).standard_normal(exact.shape)
    each = power * np.array(reads)
    return Run(
        Path("made"),
        "made",
        NODES,
        t_s,
        exact + noise,
        each.sum(axis=1),
        sources=SOURCES,
        source_power=each,
    )


def without(run: Run, *nodes: str) -> Run:
    """A run whose thermocouples at some nodes were never put on."""
    kept = [i for i, node in enumerate(run.nodes) if node not in nodes]
    return replace(
        run,
        nodes=tuple(run.nodes[i] for i in kept),
        temperature_degC=run.temperature_degC[:, kept],
    )


def write_csv(run: Run, path: Path) -> Path:
    """A run as a bare CSV."""
    run.to_frame().to_csv(path, index=False)
    return path


@cache
def budget() -> Budget:
    """The budget as read."""
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        return read_budget(write_budget(Path(folder)))


def steady_degC(
    power_W: Sequence[float] | Array, true: Mapping[tuple[str, str], float] | None = None
) -> dict[str, float]:
    """Temperatures at rest, by a solution of the nodes' balances of its own [degC]."""
    at = {node: i for i, node in enumerate(NODES)}
    G = np.zeros((len(NODES), len(NODES)))
    for (start, end), R in (true or TRUE_K_PER_W).items():
        i, j = at[start], at[end]
        G[i, i] += 1 / R
        G[j, j] += 1 / R
        G[i, j] -= 1 / R
        G[j, i] -= 1 / R
    heat = np.zeros(len(NODES))
    heat[at["tab_1"]], heat[at["tab_2"]] = power_W
    rise = np.linalg.solve(G[:-1, :-1], heat[:-1])
    return dict(zip(NODES, AMBIENT_DEGC + np.append(rise, 0.0), strict=True))


def in_a_row() -> Budget:
    """Two sources on one path: at the tab, and at the bar that its heat passes."""
    ends = [("tab", "bar", 2.0, 5.0), ("bar", "case", 0.5, 40.0), ("case", "ambient", 4.0, 100.0)]
    document = {
        "schema": 1,
        "conditions": {"ambient_degC": 25.0},
        "source": [
            {"name": "lamp", "node": "tab", "power_W": 3.0},
            {"name": "fan", "node": "bar", "power_W": 1.0},
        ],
        "stage": [
            {"from": a, "to": b, "kind": "stated", "R_K_per_W": R, "C_J_per_K": C}
            for a, b, R, C in ends
        ],
    }
    return budget_from(document, Path("budget.toml"))
