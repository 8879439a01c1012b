"""Made products of several parts, one of which is read by its forward voltage (all invented).

A random product of `tests.benchmarks.random_trees` with a chip, one lump, on the tab of one of its
parts: its heat enters there, no thermocouple reaches it, and its windows are those of a made part.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.virtual.prototype import Sensor, simulate
from fit.budget.model import Stage
from fit.budget.read import budget_from
from fit.records.metadata import metadata_from
from fit.records.run import Array, Run
from tests.benchmarks.random_trees import STEP_S, Tree, random_tree, read_off, sequence
from tests.support import made_trees
from tests.support.made_junctions import Part, Reading, draw_part, draw_reading, made_windows

HEAT_S, COOL_S = 900.0, 900.0  # until the next part goes off; with all of them off
SHARE, SHARE_U = 0.97, 0.01  # of each source's power that takes the path, as budgeted
STATED_U = 0.1  # of the chip's resistance in the budget, relative


@dataclass(frozen=True, eq=False)
class ChipOnTree:
    """A product, its chip, and how the chip is read."""

    tree: Tree
    node: str
    tab: str
    source: int  # of the tree's, whose heat enters at the chip
    part: Part
    reading: Reading

    @property
    def true_K_per_W(self) -> float:
        """Chip to tab [K/W]."""
        return self.part.total_K_per_W


def chip_on_random_tree(
    seed: int, part: Part | None = None, reading: Reading | None = None
) -> ChipOnTree:
    """The random product of a seed with a chip on one of its tabs.

    Args:
        seed: of everything.
        part: the chip; drawn when None.
        reading: how it is read; drawn when None.
    """
    random = np.random.default_rng([seed, 3])
    part = draw_part(random) if part is None else part
    reading = draw_reading(random) if reading is None else reading
    tree = random_tree(seed)
    return chip_on(tree, int(random.integers(len(tree.power_W))), part, reading, random)


def chip_on(
    tree: Tree, source: int, part: Part, reading: Reading, random: np.random.Generator
) -> ChipOnTree:
    """A product with a chip on the tab of a source, its bench's gains and powers a little off.

    Args:
        tree: without it.
        source: which, whose heat then enters at the chip.
        part: the chip.
        reading: how it is read, and how well the bench is known.
        random: of the bench's errors.
    """
    tab = tree.prototype.sources[source]
    node = tab.replace("tab", "junction")
    before, R = tree.prototype, part.total_K_per_W
    sources = [*before.sources]
    sources[source] = node
    prototype = replace(
        before,
        nodes=(node, *before.nodes),
        resistance_K_per_W=(R, *before.resistance_K_per_W),
        capacity_J_per_K=(float(part.tau_s.max()) / R, *before.capacity_J_per_K),
        links=((node, tab), *before.links),
        sources=tuple(sources),
        path_fraction=SHARE + SHARE_U * float(random.standard_normal()),
    )
    sensors = {
        name: replace(sensor, low_reading=-reading.match_u * float(random.standard_normal()))
        for name, sensor in tree.sensors.items()
    }
    stated = R / (1 + STATED_U * float(np.clip(random.standard_normal(), -2, 2)))
    named = tuple(
        replace(
            one,
            node=node if s == source else one.node,
            path_fraction=SHARE,
            path_fraction_u=SHARE_U,
        )
        for s, one in enumerate(tree.budget.named_sources)
    )
    stages = (chip_stage(node, tab, stated), *tree.budget.stages)
    with_it = replace(
        tree,
        prototype=prototype,
        budget=replace(tree.budget, stages=stages, named_sources=named),
        sensors=sensors,
        true_K_per_W={(node, tab): R, **tree.true_K_per_W},
        power_reads=1 + reading.power_u * random.standard_normal(len(tree.power_W)),
    )
    return ChipOnTree(with_it, node, tab, source, part, reading)


def chip_stage(node: str, tab: str, R_K_per_W: float) -> Stage:
    """The chip's stage as a budget file would have it."""
    keys = {"kind": "stated", "R_K_per_W": R_K_per_W, "R_u_K_per_W": STATED_U * R_K_per_W}
    document = {
        "schema": 1,
        "conditions": {"power_W": 1.0, "ambient_degC": 23.0},
        "stage": [
            {"name": "die", "from": node, "to": tab, **keys},
            {"name": "on", "from": tab, "to": "ambient", **keys},
        ],
    }
    return budget_from(document, Path("budget.toml")).stages[0]


def round_tree(noise_K: float = 0.02) -> Tree:
    """The product of `tests.support.made_trees`, whose numbers are round."""
    return Tree(
        prototype=made_trees.prototype(),
        budget=made_trees.budget(),
        power_W=np.array(made_trees.POWER_W),
        true_K_per_W=made_trees.TRUE_K_PER_W,
        sensors={node: Sensor(noise_K=noise_K, lag_s=1.5) for node in made_trees.NODES},
        scan_s=1.0,
        seed=1,
        sources=made_trees.SOURCES,
        power_reads=np.ones(2),
    )


def one_after_another(made: ChipOnTree, heat_s: float = HEAT_S) -> Array:
    """Until when each source is on (sources,) [s after the soak]."""
    return heat_s * np.arange(1, len(made.tree.power_W) + 1)


def chip_run(
    made: ChipOnTree,
    off_s: Array | Sequence[float] | None = None,
    *,
    cool_s: float = COOL_S,
    keep: Callable[[Array, Array], Array] | None = None,
) -> Run:
    """Its heat run, with the chip's windows.

    Args:
        made: the product.
        off_s: until when each source is on; one after another when None (sources,) [s after the
            soak].
        cool_s: then with all of them off [s].
        keep: which windows are there, of their times (w,) [s] and whether the chip was heated (w,);
            all when None.
    """
    tree, reading = made.tree, made.reading
    until = one_after_another(made) if off_s is None else np.asarray(off_s)
    t_s, power = sequence(tree, until, cool_s)
    true = simulate(tree.prototype, t_s, power)
    run = read_off(tree, t_s, power, true)
    every = round(reading.every_s / STEP_S)
    at = np.arange(every // 2, len(t_s) - 1, every)
    heated = power[at, made.source] > 0
    if keep is not None:
        kept = keep(t_s[at], heated)
        at, heated = at[kept], heated[kept]
    above = np.where(heated, true[made.node][at] - true[made.tab][at], 0.0)
    random = np.random.default_rng([tree.seed, 4])
    truth = t_s[at], true[made.tab][at], above
    windows = made_windows(made.node, made.part, reading, random, truth)
    match = {"match_u": reading.match_u}
    document = {
        "sensors": dict.fromkeys(run.nodes, match),
        "rig": {"power": {"u_relative": reading.power_u}},
    }
    metadata = metadata_from(document, Path("run.json"))
    return replace(run, metadata=metadata, vf_windows=windows)
