"""`heatrun log` as a program: signals, kill -9, resume, the operator, one line for bad input."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from bench.commands.new import command as new
from bench.rig.schema import read_rig
from bench.virtual.ports import HAS_PTY
from fit.budget import read_budget
from fit.records.notes import add_note
from fit.records.run import read_run
from fit.statistics.stated_values import label_values
from tests.support.bench_rigs import HEATRUN, OtherProcess, named

pytestmark = pytest.mark.skipif(not HAS_PTY, reason="this system has no pty and no POSIX signals")
LONG = {"heat_s": 60.0}


SHORTENED = {"interval_s": 0.1, "soak_s": 0.5, "heat_s": 1.0, "cool_s": 0.3}


HEAVY = ("pandas", "scipy", "lmfit", "matplotlib")


def test_it_prints_the_run_folder_and_nothing_else(other: OtherProcess, tmp_path: Path) -> None:
    other.log(tmp_path / "run")
    status, out, _ = other.finish()
    assert (status, out) == (0, f"{tmp_path / 'run'}\n")
    assert len(read_run(tmp_path / "run").t_s) > 10


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_the_run_in_order(
    other: OtherProcess, tmp_path: Path, number: signal.Signals
) -> None:
    other.log(tmp_path / "run", sequence=LONG)
    other.wait_for(tmp_path / "run", "power_on")
    other.send(number)
    status, out, _ = other.finish()
    assert (status, out.strip()) == (0, str(tmp_path / "run"))
    assert not other.state()["on"]
    assert named(tmp_path / "run", "stop")[0]["reason"] == "operator"


def test_a_closed_terminal_ends_the_run_in_order(other: OtherProcess, tmp_path: Path) -> None:
    near, far = os.openpty()
    other.log(tmp_path / "run", sequence=LONG, terminal=far)
    os.close(far)
    other.wait_for(tmp_path / "run", "power_on")
    drawn = b""
    while b"power ON" not in drawn:
        drawn += os.read(near, 65536)
    os.close(near)
    assert other.logger is not None
    assert other.logger.wait(20) == 0
    assert not other.state()["on"]
    assert named(tmp_path / "run", "stop")[0]["text"] == "stopped by SIGHUP"


def test_a_second_signal_does_not_stop_the_switching_off(
    other: OtherProcess, tmp_path: Path
) -> None:
    other.log(tmp_path / "run", sequence=LONG)
    other.wait_for(tmp_path / "run", "power_on")
    for number in (signal.SIGINT, signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        other.send(number)
    status, out, err = other.finish()
    assert (status, out.strip(), "Traceback" in err) == (0, str(tmp_path / "run"), False)
    assert not other.state()["on"]


@pytest.mark.parametrize("closed", ["1>&-", "0<&- 1>&- 2>&-", "1>/dev/full"])
def test_an_output_that_takes_nothing_does_not_touch_the_run(
    other: OtherProcess, tmp_path: Path, closed: str
) -> None:
    other.log(tmp_path / "run", shell=closed)
    status, _, err = other.finish()
    assert (status, "Traceback" in err) == (0, False)
    assert named(tmp_path / "run", "stop")[0]["reason"] == "finished"


def test_quiet_prints_the_folder_alone(other: OtherProcess, tmp_path: Path) -> None:
    other.log(tmp_path / "run", before=("--quiet",))
    assert other.finish() == (0, f"{tmp_path / 'run'}\n", "")


def test_quiet_still_asks_the_operator(other: OtherProcess, tmp_path: Path) -> None:
    power = {"switch": "operator"}
    other.log(tmp_path / "run", before=("--quiet",), stdin=subprocess.PIPE, power=power)
    assert other.logger is not None
    _, err = other.logger.communicate("\n\n", timeout=20)
    assert [line for line in err.splitlines() if "Switch the power" not in line] == []
    assert err.index("power ON now") < err.index("power OFF now")


def read_starter(name: str) -> str:
    return (files("heatrun_data") / "charge_controller" / name).read_text(encoding="utf-8")


def test_a_disk_that_takes_no_more_ends_the_run_with_the_power_off(
    other: OtherProcess, tmp_path: Path
) -> None:
    # A limit on the size of a file, which the readings reach while the power is on.
    limit = "import resource as r; r.setrlimit(r.RLIMIT_FSIZE, (6000, 6000))"
    other.log(tmp_path / "run", first=limit, sequence=LONG)
    status, _, err = other.finish()
    assert status == 4
    assert "the disk does not take more" in err.splitlines()[-1]
    assert not other.state()["on"]
    assert True in other.state()["switched"]
    assert len(read_run(tmp_path / "run").t_s) > 10


def test_the_operator_presses_enter_through_a_pipe(other: OtherProcess, tmp_path: Path) -> None:
    other.log(tmp_path / "run", stdin=subprocess.PIPE, power={"switch": "operator"})
    assert other.logger is not None
    _, err = other.logger.communicate("\n\n", timeout=20)
    assert other.logger.returncode == 0
    assert err.index("power ON now") < err.index("power OFF now")


def test_what_new_writes_runs_on_the_virtual_bench_as_it_stands(tmp_path: Path) -> None:
    new(tmp_path / "mine")
    rig, budget = tmp_path / "mine" / "rig.toml", tmp_path / "mine" / "budget.toml"
    text = rig.read_text(encoding="utf-8")
    first_port = read_rig(rig).instrument[0].port.rpartition(":")[2]
    # Of its two hours nothing but the seconds is cut.
    for key, seconds in SHORTENED.items():
        text, count = re.subn(rf"^{key} = [\d.]+", f"{key} = {seconds}", text, flags=re.M)
        assert count == 1
    rig.with_name("short.toml").write_text(text, encoding="utf-8")
    try:
        other = OtherProcess(tmp_path, "--first-port", first_port)
    except json.JSONDecodeError:
        pytest.skip(f"port {first_port} of this computer is taken")
    with other:
        words = ["--budget", str(budget), "--out", str(tmp_path / "run")]
        logged = subprocess.run(
            [*HEATRUN, "log", str(rig.with_name("short.toml")), *words],
            capture_output=True,
            text=True,
            timeout=40,
            check=False,
        )
        assert (logged.returncode, logged.stdout) == (0, f"{tmp_path / 'run'}\n"), logged.stderr
        assert True in other.state()["switched"]
        assert not other.state()["on"]
    run = read_run(tmp_path / "run")
    assert run.nodes == read_budget(budget).nodes[1:]
    assert named(tmp_path / "run", "stop")[0]["reason"] == "finished"


def test_it_starts_without_the_heavy_packages(other: OtherProcess, tmp_path: Path) -> None:
    rig, out = tmp_path / "light.toml", tmp_path / "light"
    other.log(out)
    other.finish()
    (tmp_path / "light.toml").write_text(rig.read_text())
    program = (
        "import sys, atexit\n"
        f"found = lambda: [name for name in {HEAVY} if name in sys.modules]\n"
        "atexit.register(lambda: print(found(), file=sys.stderr))\n"
        "from bench.cli import main\nmain()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "log", str(rig), "--out", str(tmp_path / "again")],
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
    )
    assert done.returncode == 0
    assert done.stderr.strip().endswith("[]")


def logged_with(tmp_path: Path, *nodes: str) -> subprocess.CompletedProcess[str]:
    """`heatrun log` of the short rig, whose ports are not there, and a budget on these nodes."""
    from tests.support.bench_rigs import tables, toml

    (tmp_path / "rig.toml").write_text(toml(tables({"reader": "one", "supply": "two"})))
    text = read_starter("budget.toml")
    for node, other in zip(("tab", "board_back", "bar", "case"), nodes, strict=True):
        text = text.replace(f'"{node}"', f'"{other}"')
    (tmp_path / "budget.toml").write_text(text)
    words = ["log", str(tmp_path / "rig.toml"), "--budget", str(tmp_path / "budget.toml")]
    return subprocess.run(
        [*HEATRUN, *words], capture_output=True, text=True, timeout=40, check=False
    )


def test_a_budget_of_another_product_is_refused_before_the_run(tmp_path: Path) -> None:
    done = logged_with(tmp_path, "die", "plate", "beam", "shell")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert "budget.toml: stage: 1 of the rig's nodes (tab, board_back, bar" in done.stderr


def test_a_node_that_the_budget_does_not_know_is_remarked_before_the_run(tmp_path: Path) -> None:
    done = logged_with(tmp_path, "tab", "board_back", "beam", "case")
    assert done.stderr.splitlines()[0].endswith("no part of any decision: bar")


def test_what_a_terminal_would_obey_is_spelt_out(tmp_path: Path) -> None:
    from tests.support.bench_rigs import tables, toml

    rig = tmp_path / "rig.toml"
    rig.write_text(toml(tables({"reader": "one", "supply": "two"}, power={"switch": "\x1b[31m"})))
    done = subprocess.run(
        [*HEATRUN, "log", str(rig)], capture_output=True, text=True, timeout=40, check=False
    )
    assert r"no instrument named '\x1b[31m'" in done.stderr
    assert done.stderr.rstrip("\n").isprintable()


@pytest.mark.parametrize(
    "module", ["bench.application", "typer", "pydantic", "bench.acquisition.run_loop"]
)
def test_ctrl_c_while_its_packages_are_loaded_is_one_line(tmp_path: Path, module: str) -> None:
    from tests.support.bench_rigs import tables, toml

    (tmp_path / "rig.toml").write_text(toml(tables({"reader": "none", "supply": "none"})))
    program = (
        "import os, signal, sys\n"
        "class Presses:\n"
        "    def find_spec(self, name, *_):\n"
        f"        if name == '{module}': os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Presses())\n"
        "from bench.cli import main\n"
        "main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, "log", str(tmp_path / "rig.toml")],
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
    )
    assert (done.returncode, done.stderr) == (2, "heatrun: stopped\n")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["none.toml"], "none.toml"),
        (["rig.toml", "--resume", "none"], "no such folder"),
        (["rig.toml", "--out", "."], "exists already"),
        (["rig.toml", "--budget", "none.toml"], "none.toml"),
        (["rig.toml"], "does not exist"),
    ],
)
def test_bad_input_is_one_line_with_status_2(
    tmp_path: Path, arguments: list[str], said: str
) -> None:
    from tests.support.bench_rigs import tables, toml

    ports = {"reader": str(tmp_path / "no-reader"), "supply": str(tmp_path / "no-supply")}
    (tmp_path / "rig.toml").write_text(toml(tables(ports)))
    done = subprocess.run(
        [*HEATRUN, "log", *arguments],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[3])},
    )
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert [one.name for one in tmp_path.iterdir()] == ["rig.toml"]


def test_notes_unit_and_what_was_set_are_in_the_record(other: OtherProcess, tmp_path: Path) -> None:
    run = tmp_path / "run"
    words = ["--note", "first of the lot", "--unit", "SN 12"]
    other.log(run, *words, "--set", "torque_Nm=0.5", "--set", "pad=old")
    assert other.finish()[0] == 0
    document = json.loads((run / "run.json").read_text())
    assert document["unit"] == "SN 12"
    assert document["values"] == {"torque_Nm": 0.5, "pad": "old"}
    assert named(run, "operator")[0]["text"] == "first of the lot"
    assert label_values(read_run(run)) == {"torque_Nm": 0.5}


def test_a_note_of_another_program_while_it_logs_is_kept(
    other: OtherProcess, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    other.log(run, sequence={"heat_s": 2.0})
    other.wait_for(run, "power_on")
    add_note(run, "smells of flux")
    assert other.finish()[0] == 0
    assert named(run, "operator")[0]["text"] == "smells of flux"
    assert named(run, "stop")[0]["reason"] == "finished"


@pytest.mark.parametrize("wrong", ["torque", "=5", "5x=1", "torque_Nm="])
def test_what_is_no_key_and_value_is_refused_in_one_line(
    other: OtherProcess, tmp_path: Path, wrong: str
) -> None:
    other.log(tmp_path / "run", "--set", wrong)
    status, _, err = other.finish()
    assert (status, err.count("\n"), "is no KEY=VALUE" in err) == (2, 1, True)
    assert not (tmp_path / "run").exists()
