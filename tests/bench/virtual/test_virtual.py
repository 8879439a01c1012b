"""The virtual bench: its physics, its supply, and that it can be run as a program of its own."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.virtual import __main__ as program
from bench.virtual.bench import open_bench
from bench.virtual.instrument import Faults
from bench.virtual.prototype import Prototype, simulate
from bench.virtual.scenario import Unit, make_unit, read_scenario, read_unit
from bench.virtual.supply import QUEUE_LENGTH, QUEUE_OVERFLOW, ScpiSupply, Supply
from bench.virtual.world import World
from fit.errors import InputError
from fit.network.steady_state import resistance_matrix
from tests.support.virtual_instruments import NODES, SocketEnd, driver, next_reading


class SetClock:
    """Bench time set by hand."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def __call__(self) -> float:
        return self.t_s


def unit(fault: str = "none", seed: int = 1) -> Unit:
    scenario = files("heatrun_data") / "charge_controller" / "prototype.toml"
    return make_unit(read_scenario(scenario), fault, seed)


def heated(made: Unit, seconds: float = 20000.0) -> World:
    clock = SetClock()
    world = World(made, clock)
    world.supply.set_V, world.supply.set_A, world.supply.on = 12.0, 0.5, True
    clock.t_s = seconds
    world.catch_up()
    return world


def test_a_ladder_settles_at_the_sum_of_its_resistances() -> None:
    ladder = Prototype(("a", "b", "ambient"), (1.0, 4.0), (2.0, 30.0), path_fraction=0.9)
    t_s = np.arange(0.0, 2000.0, 1.0)
    true = simulate(ladder, t_s, np.full(len(t_s), 5.0))
    assert true["a"][-1] - 25.0 == pytest.approx(5.0 * 0.9 * 5.0, rel=1e-6)
    assert true["b"][-1] - 25.0 == pytest.approx(5.0 * 0.9 * 4.0, rel=1e-6)


def test_one_stage_rises_as_an_exponential() -> None:
    ladder = Prototype(("a", "ambient"), (4.0,), (25.0,))
    t_s = np.arange(0.0, 300.0, 0.5)
    true = simulate(ladder, t_s, np.full(len(t_s), 1.0))["a"]
    assert true - 25.0 == pytest.approx(4.0 * -np.expm1(-t_s / 100.0), abs=1e-4)


def test_the_unit_settles_at_its_own_truth() -> None:
    made = unit()
    world = heated(made)
    true = world.true_degC()
    heat_W = world.supply.power_W * made.prototype.path_fraction
    truth = made.truth(world.supply.power_W)
    nodes = made.prototype.nodes
    for (above, below), stage in zip(pairwise(nodes), made.stages, strict=True):
        # The room still moves: a small part of the heat goes into the case.
        assert (true[above] - true[below]) / heat_W == pytest.approx(truth[stage], rel=0.03)


@pytest.mark.parametrize("node", ["tab", "bar", "case"])
def test_what_the_beads_read_is_the_truth_but_for_offset_and_noise(node: str) -> None:
    made = unit()
    world = heated(made)
    read = np.mean([world.readings_degC()[node] for _ in range(200)])
    expected = world.true_degC()[node] + made.prototype.sensors[node].offset_K
    assert read == pytest.approx(expected, abs=0.03)


def test_the_same_seed_makes_the_same_unit_and_another_seed_another() -> None:
    assert unit(seed=3).truth(4.2) == unit(seed=3).truth(4.2)
    assert unit(seed=3).truth(4.2) != unit(seed=4).truth(4.2)


def test_faults_change_what_they_name_and_nothing_else() -> None:
    sound, pad = unit().truth(4.2), unit("pad").truth(4.2)
    assert pad["pad"] == pytest.approx(1.8 * sound["pad"])
    assert {n: r for n, r in pad.items() if n != "pad"} == {
        n: r for n, r in sound.items() if n != "pad"
    }
    assert unit("sensor").truth(4.2) == sound
    assert unit("sensor").prototype.sensors["bar"].low_reading > 0
    assert unit("power").truth(4.2) == sound
    assert unit("power").feeds[0].reads_A_times != 1.0


def test_an_unknown_fault_is_named_with_those_there_are() -> None:
    with pytest.raises(InputError, match="no fault 'fan'; one of none, pad, sensor, power"):
        unit("fan")


def test_nothing_warms_while_the_supply_is_off() -> None:
    clock = SetClock()
    world = World(unit(), clock)
    clock.t_s = 600.0
    true = world.true_degC()
    assert max(true.values()) - min(true.values()) < 0.5


def test_a_change_of_power_acts_from_its_own_moment_on() -> None:
    clock = SetClock()
    world = World(unit(), clock)
    scpi = ScpiSupply(world.supply, world.catch_up)
    scpi.answer("VOLT 12;CURR 0.5;OUTP ON", Faults())
    clock.t_s = 300.0
    scpi.answer("OUTP OFF", Faults())
    hot = world.true_degC()["tab"]
    clock.t_s = 600.0
    assert hot > 40.0
    assert world.true_degC()["tab"] < hot - 5.0


@pytest.mark.parametrize(
    ("line", "error"),
    [
        ("HEAT ON", '-113,"Undefined header"'),
        ("VOLT twelve", '-104,"Data type error"'),
        ("VOLT 500", '-222,"Data out of range"'),
        ("OUTP MAYBE", '-104,"Data type error"'),
    ],
)
def test_a_command_it_cannot_do_goes_into_the_error_queue(line: str, error: str) -> None:
    scpi = ScpiSupply(Supply(34.3))
    assert scpi.answer(line, Faults()) is None
    assert scpi.answer("SYST:ERR?", Faults()) == error
    assert scpi.answer("SYST:ERR?", Faults()) == '0,"No error"'


def test_the_error_queue_is_bounded_and_says_so() -> None:
    scpi = ScpiSupply(Supply(34.3))
    for _ in range(QUEUE_LENGTH + 5):
        scpi.answer("NONSENSE", Faults())
    assert len(scpi.errors) == QUEUE_LENGTH
    assert scpi.errors[-1] == QUEUE_OVERFLOW


def test_long_and_short_headers_and_several_on_a_line_are_the_same() -> None:
    scpi = ScpiSupply(Supply(10.0))
    scpi.answer(":SOURCE:VOLTAGE:LEVEL 12;CURRENT 1;OUTPUT:STATE 1", Faults())
    assert scpi.answer("MEASURE:VOLTAGE:DC?;MEAS:CURR?", Faults()) == "10.00000;1.00000"


def test_the_current_limit_holds() -> None:
    supply = Supply(load_ohm=10.0, set_V=12.0, set_A=0.5, on=True)
    assert (supply.volts, supply.amperes) == (5.0, 0.5)


@pytest.mark.parametrize("stream_every_s", [None, 0.02])
def test_the_bench_speaks_through_its_ports(stream_every_s: float | None) -> None:
    query = {} if stream_every_s else {"query": "READ?"}
    with (
        open_bench(unit(), SetClock(), stream_every_s=stream_every_s) as bench,
        driver("line", bench.ports["reader"], fields=NODES, **query) as reader,
    ):
        assert set(next_reading(reader).values) == set(NODES)


def test_the_bench_runs_as_a_program_faster_than_life() -> None:
    command = [sys.executable, "-m", "bench.virtual", "--socket", "--speed", "600"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        ports = json.loads(process.stdout.readline())["ports"]
        supply: dict[str, Any] = {
            "reply_s": 3.0,
            "queries": {"supply_V": "MEAS:VOLT?"},
            "switch": {"on": ["VOLT 12", "CURR 0.5", "OUTP ON"], "off": ["OUTP OFF"]},
        }
        with driver("scpi", ports["supply"], **supply) as here:
            here.switch(True)

            def state() -> dict[str, Any]:
                process.stdin.write("\n")
                process.stdin.flush()
                return dict(json.loads(process.stdout.readline()))

            first = state()
            while (later := state())["t_s"] < first["t_s"] + 300:
                pass
            here.switch(False)
            assert later["on"]
            assert later["true_degC"]["tab"] > first["true_degC"]["tab"] + 5.0
            assert state()["on"] is False
        process.stdin.close()
        assert process.wait(timeout=10.0) == 0


def test_a_socket_end_can_be_given_its_number() -> None:
    first = SocketEnd()
    number = int(first.url.rsplit(":", 1)[1])
    first.close()
    again = SocketEnd(number)
    assert again.url.endswith(f":{number}")
    again.close()


def test_every_option_of_the_program_says_what_it_does(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        program.main(["--help"])
    told = capsys.readouterr().out
    assert end.value.code == 0
    options = re.findall(r"^  (--[a-z-]+)(.*\n(?:    .*\n)*)", told, re.MULTILINE)
    assert len(options) >= 9
    assert not [name for name, text in options if not re.search(r"[a-z]{3}", text)]


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (["--fault", "flood"], "no fault 'flood'; one of none, pad, sensor, power"),
        (["--prototype", "none.toml"], "none.toml"),
        (["--speed", "0"], "--speed"),
        (["--speed", "nan"], "--speed"),
        (["--seed", "-1"], "--seed"),
        (["--stream-every", "-1"], "--stream-every"),
        (["--first-port", "80000"], "--first-port"),
        (["--first-port", "65535"], "a port cannot be made"),
    ],
)
def test_the_program_refuses_what_it_cannot_do_in_one_line(
    options: list[str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        program.main(options)
    told = capsys.readouterr().err
    assert end.value.code == 2
    assert expected in told.splitlines()[-1]
    assert "Traceback" not in told


def test_the_rig_names_the_command_that_the_readme_names() -> None:
    rig = (files("heatrun_data") / "charge_controller" / "rig.toml").read_text(encoding="utf-8")
    (command,) = re.findall(r"^#   (\S*python -m bench\.virtual .*)$", rig, re.MULTILINE)
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    assert f"`{command}`" in readme


def test_a_prototype_of_two_parts_settles_where_its_network_does() -> None:
    prototype = Prototype(
        nodes=("one", "two", "bar", "case", "ambient"),
        resistance_K_per_W=(4.0, 5.0, 0.5, 20.0, 3.0),
        capacity_J_per_K=(1.0, 2.0, 5.0, 20.0),
        links=(
            ("one", "bar"), ("two", "bar"), ("bar", "case"), ("one", "two"), ("case", "ambient"),
        ),
        sources=("one", "two"),
    )  # fmt: skip
    t_s = np.arange(0.0, 1200.0, 1.0)
    power_W = np.tile([2.0, 1.0], (len(t_s), 1))
    settled = [readings[-1] - 25.0 for readings in simulate(prototype, t_s, power_W).values()]
    expected = resistance_matrix(prototype.topology, prototype.resistance_K_per_W) @ [2.0, 1.0]
    assert settled == pytest.approx([*expected, 0.0], rel=1e-6)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("offset_K", "offset", "has no 'offset_K'"),
        ("load_ohm =", "load =", "has no 'load_ohm'"),
        ("[sensor]", "[[sensor]]", "makes no prototype"),
    ],
)
def test_what_makes_no_prototype_is_said_in_one_line(
    tmp_path: Path, old: str, new: str, what: str
) -> None:
    good = (files("heatrun_data") / "charge_controller" / "prototype.toml").read_text("utf-8")
    assert old in good
    (tmp_path / "prototype.toml").write_text(good.replace(old, new))
    with pytest.raises(InputError, match=what) as told:
        read_unit(tmp_path / "prototype.toml")
    assert "\n" not in str(told.value)
