"""The SPICE subcircuit, as text and in a general circuit simulator."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest

from fit.compact_model.spice import netlist
from fit.errors import NotIdentifiable
from fit.identification.response import Response
from fit.network.foster import step_response
from fit.signals.preparation import Signals

TAU_S = np.array([2.0, 40.0, 2000.0])
RESISTANCE_K_PER_W = np.array([[0.5, 1.0, 8.0], [-0.1, 0.6, 7.0], [-0.2, -0.1, 6.0]])
POWER_W = 4.2

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian: apt install ngspice)"
)


@pytest.fixture
def response():
    """A made response of three nodes (invented values)."""
    total = RESISTANCE_K_PER_W.sum(axis=1)
    empty = np.zeros((1, 3))
    signals = Signals(
        t_s=np.zeros(1), nodes=("tab", "bar", "case", "ambient"), temperature_degC=np.zeros((1, 4)),
        power=np.zeros(1), power_unit="W", zero_power_offset_K=np.zeros(4),
        zero_power_offset_u_K=np.zeros(4), power_edges_s=(), left_out=(), warnings=(),
    )  # fmt: skip
    return Response(
        reference="ambient", nodes=("tab", "bar", "case"), power=POWER_W, power_unit="W",
        tau_s=TAU_S, tau_u_s=TAU_S / 100, resistance_K_per_W=RESISTANCE_K_PER_W,
        resistance_u_K_per_W=np.full((3, 3), 0.01), total_K_per_W=total,
        covariance={"fit": np.diag((total / 200) ** 2)}, curves=lambda: (empty, empty),
        signals=signals, settled=True, not_resolved=(), warnings=(),
    )  # fmt: skip


def simulate(subcircuit, pins, folder):
    """Run a power step through a subcircuit with ngspice: times (n,) and the pins' voltages."""
    name = next(line.split()[1] for line in subcircuit.splitlines() if line.startswith(".subckt"))
    vectors = " ".join(f"v({pin})" for pin in pins[:1] + pins[2:])
    deck = folder / "step.cir"
    deck.write_text(
        "power step\n" + subcircuit + f"Ipower 0 {pins[0]} {POWER_W}\n"
        f"Vambient {pins[1]} 0 0\n"
        f"X1 {' '.join(pins)} {name}\n"
        ".options reltol=1e-6 abstol=1e-9 vntol=1e-9\n"
        ".control\nset wr_singlescale\nset numdgt=10\n"
        f"tran 0.05 200 0 0.05 uic\nwrdata early.txt {vectors}\n"
        f"tran 2 20000 0 5 uic\nwrdata late.txt {vectors}\n.endc\n.end\n"
    )
    command = ["ngspice", "-b", deck.name]
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )
    assert (folder / "late.txt").exists(), done.stdout + done.stderr
    early, late = np.loadtxt(folder / "early.txt"), np.loadtxt(folder / "late.txt")
    rows = np.vstack([early[early[:, 0] > 0.2], late[late[:, 0] > 200.0]])
    return rows[:, 0], rows[:, 1:]


@needs_ngspice
@pytest.mark.parametrize("form", ["foster", "cauer"])
def test_simulated_step_is_the_fitted_one(response, form, tmp_path):
    """Outside check: ngspice, a general circuit simulator, within 0.1 % at every time."""
    t, rise = simulate(netlist(response, form), ["tab", "ambient"], tmp_path)
    fitted = POWER_W * step_response(RESISTANCE_K_PER_W[0], TAU_S, t)
    assert rise[:, 0] == pytest.approx(fitted, rel=1e-3)
    assert t[-1] == pytest.approx(20000)


@needs_ngspice
@pytest.mark.parametrize("form", ["foster", "cauer"])
def test_simulated_output_pins_follow_their_nodes(response, form, tmp_path):
    """Outside check: ngspice; downstream amplitudes are negative in part."""
    pins = ["tab", "ambient", "bar", "case"]
    t, rise = simulate(netlist(response, form, outputs=True), pins, tmp_path)
    fitted = POWER_W * step_response(RESISTANCE_K_PER_W, TAU_S, t).T
    assert np.abs(rise - fitted).max() < 1e-3 * fitted.max()


@needs_ngspice
def test_simulated_negative_term_is_kept(response, tmp_path):
    """Outside check: ngspice takes the negative elements a lagging sensor leaves in the fit."""
    lagging = replace(
        response,
        resistance_K_per_W=np.array([[-0.3, 1.0, 8.0]]),
        nodes=("tab",),
        total_K_per_W=np.array([8.7]),
    )
    t, rise = simulate(netlist(lagging), ["tab", "ambient"], tmp_path)
    fitted = POWER_W * step_response([-0.3, 1.0, 8.0], TAU_S, t)
    assert np.abs(rise[:, 0] - fitted).max() < 1e-3 * fitted.max()


def elements(text):
    return dict(line.split()[::3] for line in text.splitlines() if line[0] in "RC")


def test_foster_elements_are_the_fit(response):
    found = elements(netlist(response))
    assert [float(found[f"R{k}"]) for k in (1, 2, 3)] == pytest.approx(RESISTANCE_K_PER_W[0])
    assert [float(found[f"R{k}"]) * float(found[f"C{k}"]) for k in (1, 2, 3)] == pytest.approx(
        TAU_S
    )


def test_cauer_elements_add_up_to_the_fit(response):
    found = elements(netlist(response, "cauer"))
    assert sum(float(found[f"R{k}"]) for k in (1, 2, 3)) == pytest.approx(9.5)


def test_ladder_behind_a_lagging_sensor_is_without_the_lag(response):
    rows = np.array([[-0.1, 1.6, 8.0], *RESISTANCE_K_PER_W[1:]])
    text = netlist(replace(response, resistance_K_per_W=rows), "cauer")
    found = elements(text)
    assert "lag of 2 s is taken out" in text
    assert sum(float(value) for name, value in found.items() if name[0] == "R") == pytest.approx(
        9.5
    )
    assert len(found) == 4


def test_ladder_of_a_negative_term_is_the_nearest_and_says_how_near(response):
    rows = np.array([[1.6, -0.1, 8.0], *RESISTANCE_K_PER_W[1:]])
    text = netlist(replace(response, resistance_K_per_W=rows), "cauer")
    assert 0 < float(re.search(r"([\d.]+) % of the total", text)[1]) < 2
    assert all(float(value) > 0 for value in elements(text).values())


def test_node_that_does_not_rise_has_no_network(response):
    cold = replace(response, resistance_K_per_W=-RESISTANCE_K_PER_W)
    with pytest.raises(NotIdentifiable, match="does not rise"):
        netlist(cold)


@pytest.mark.parametrize(
    ("name", "plain"),
    [("Charge controller, rev C", "charge_controller_rev_c"), ("3 W", "n_3_w"), ("…", "heat_path")],
)
def test_names_are_made_fit_for_spice(response, name, plain):
    lines = netlist(response, name=name).splitlines()
    assert f".subckt {plain} tab ambient" in lines
    assert lines[-1] == f".ends {plain}"


def test_node_called_like_the_ground_is_renamed(response):
    grounded = replace(response, nodes=("tab", "gnd", "case"))
    assert " gnd_ " in netlist(grounded, outputs=True)


def test_unsettled_fit_says_so(response):
    assert "extrapolation" in netlist(replace(response, settled=False))
    assert "extrapolation" not in netlist(response)


@pytest.mark.parametrize(
    "nodes", [("tab-1", "tab_1", "case"), ("inner_1", "lowpass_1", "sum_1_1"), ("gnd", "gnd_", "0")]
)
def test_pins_are_unlike_each_other_and_every_place_inside(response, nodes):
    text = netlist(replace(response, nodes=nodes), "foster", outputs=True)
    pins = next(line.split()[2:] for line in text.splitlines() if line.startswith(".subckt"))
    assert len(set(pins)) == len(pins) == 4
    inside = re.findall(r"\b(?:inner|lowpass|sum)(?:_\d+)+\b", text)
    assert not set(pins) & set(inside)
