"""The netlist of several sources against the network's own steady state, run by ngspice."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from fit.compact_model.branch_spice import branch_netlist
from fit.identification.tree.fitted import FittedTree
from fit.measurement.branches import measure_branches
from fit.network.steady_state import resistance_matrix
from tests.benchmarks.random_trees import random_tree, record


@pytest.fixture(scope="module")
def fitted() -> FittedTree:
    tree = random_tree(1004)
    return measure_branches(record(tree, 90.0), tree.budget).fitted


def test_every_source_has_its_pin(fitted: FittedTree) -> None:
    text = branch_netlist(fitted, ["charger", "regulator", "driver"], "two-parts")
    head = next(line for line in text.splitlines() if line.startswith(".subckt"))
    pins = "heat_charger heat_regulator heat_driver at_case ambient_pin"
    assert head == f".subckt two_parts {pins}"


@pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian: apt install ngspice)"
)
def test_watts_warm_every_part_as_the_network_says(fitted: FittedTree, tmp_path: Path) -> None:
    """Operating point with the case grounded: ngspice solves the same conductances."""
    watts = np.array([1.0, 2.0, 0.5])
    text = branch_netlist(fitted, ["charger", "regulator", "driver"])
    heats = "".join(f"I{k} 0 p{k} {power}\n" for k, power in enumerate(watts))
    deck = tmp_path / "deck.cir"
    prints = " ".join(f"v(p{k})" for k in range(3))
    deck.write_text(
        f"* deck\n{text}{heats}X1 p0 p1 p2 0 0 heat_path\n.op\n.control\nset numdgt=9\nrun\n"
        f"print {prints}\n.endc\n.end\n",
        encoding="utf-8",
    )
    command = ["ngspice", "-b", deck.name]
    said = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False).stdout
    found = {int(k): float(v) for k, v in re.findall(r"v\(p(\d)\) = (\S+)", said)}
    rise = resistance_matrix(fitted.network.topology, fitted.R_K_per_W) @ watts
    at = fitted.network.topology.source_index
    assert [found[k] for k in range(3)] == pytest.approx(rise[at].tolist(), rel=1e-6)
