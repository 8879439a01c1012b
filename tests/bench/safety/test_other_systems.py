"""Windows and macOS, as far as Linux can play them.

Every process of ours is started with a `sitecustomize` that says it runs on the other system and
takes away what that system lacks: modules, signals, clocks. What is left runs as it would there;
drivers of real ports, and the libraries below us, are not put to the test by this.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.virtual.ports import HAS_PTY
from fit.records.run import read_run
from tests.support.bench_rigs import HEATRUN, OtherProcess, named

pytestmark = pytest.mark.skipif(not HAS_PTY, reason="only a POSIX system can play the others")

LIBRARIES = (
    "asyncio, multiprocessing.context, subprocess, tempfile, zoneinfo, "
    "numpy, pydantic.main, rich.live, serial, typer"
)
PRETEND = f"""
import os, signal, sys, sysconfig, time
import {LIBRARIES}
import serial.tools.list_ports
import serial.urlhandler.protocol_socket

sysconfig.get_config_vars()

class Missing:
    def find_spec(self, name, path=None, target=None):
        if name in MODULES:
            raise ImportError(f"{{name}} is not there on {{sys.platform}}")

for module, names in TAKEN.items():
    for name in names:
        if hasattr(module, name):
            delattr(module, name)
for name in MODULES:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Missing())
sys.platform = SYSTEM
"""
WINDOWS = """
SYSTEM = "win32"
MODULES = ("fcntl", "grp", "pty", "pwd", "resource", "termios", "tty")
TAKEN = {
    os: ("fork", "getpriority", "openpty", "setpriority", "ttyname"),
    signal: ("SIGHUP", "SIGPIPE", "SIGTSTP"),
    time: ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC", "clock_gettime"),
}
"""
MACOS = """
SYSTEM = "darwin"
MODULES = ()
TAKEN = {time: ("CLOCK_BOOTTIME",)}
time.CLOCK_UPTIME_RAW = time.CLOCK_MONOTONIC_RAW
"""
LONG = {"heat_s": 60.0}


def pretend(folder: Path, system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have every Python started from here on believe it."""
    imports, taking = PRETEND.split("\nclass Missing", 1)
    place = folder / "pretence"
    place.mkdir()
    (place / "sitecustomize.py").write_text(f"{imports}\n{system}\nclass Missing{taking}")
    home = str(Path(__file__).resolve().parents[3])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join((str(place), home)))


@pytest.fixture
def windows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[OtherProcess]:
    pretend(tmp_path, WINDOWS, monkeypatch)
    with OtherProcess(tmp_path) as made:
        yield made


@pytest.fixture
def macos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[OtherProcess]:
    pretend(tmp_path, MACOS, monkeypatch)
    with OtherProcess(tmp_path) as made:
        yield made


def test_on_windows_the_virtual_bench_has_sockets_and_a_run_is_logged(
    windows: OtherProcess, tmp_path: Path
) -> None:
    assert all(url.startswith("socket://") for url in windows.ports.values())
    windows.log(tmp_path / "run")
    status, out, err = windows.finish()
    assert (status, out.strip()) == (0, str(tmp_path / "run")), err
    assert len(read_run(tmp_path / "run").t_s) > 10
    assert not windows.state()["on"]


def test_on_windows_the_watchdog_switches_off_when_the_logger_is_killed(
    windows: OtherProcess, tmp_path: Path
) -> None:
    windows.log(tmp_path / "run", sequence=LONG)
    windows.wait_for(tmp_path / "run", "power_on")
    windows.send(signal.SIGKILL)
    windows.wait_until_off(3.0)
    windows.finish()
    assert named(tmp_path / "run", "power_off")[0]["by"] == "watchdog"


def test_on_windows_ctrl_c_ends_a_run_in_order(windows: OtherProcess, tmp_path: Path) -> None:
    windows.log(tmp_path / "run", sequence=LONG)
    windows.wait_for(tmp_path / "run", "power_on")
    windows.send(signal.SIGINT)
    status, _, err = windows.finish()
    assert (status, "Traceback" in err) == (0, False)
    assert not windows.state()["on"]


def test_on_macos_a_run_is_logged_over_ptys(macos: OtherProcess, tmp_path: Path) -> None:
    macos.log(tmp_path / "run")
    status, _, err = macos.finish()
    assert status == 0, err
    assert not named(tmp_path / "run", "suspend")
    assert not macos.state()["on"]


@pytest.mark.parametrize("system", [WINDOWS, MACOS], ids=["windows", "macos"])
@pytest.mark.parametrize("words", [["ports"], ["log", "none.toml"]])
def test_no_command_needs_what_the_other_system_lacks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: str, words: list[str]
) -> None:
    pretend(tmp_path, system, monkeypatch)
    done = subprocess.run(
        [*HEATRUN, *words], capture_output=True, text=True, cwd=tmp_path, timeout=60, check=False
    )
    assert done.returncode == (2 if "log" in words else 0), done.stderr
    assert "Traceback" not in done.stderr


def test_every_room_of_the_bench_is_imported_on_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pretend(tmp_path, WINDOWS, monkeypatch)
    walk = (
        "import importlib, pkgutil, bench\n"
        "names = [one.name for one in pkgutil.walk_packages(bench.__path__, 'bench.')]\n"
        "print(len([importlib.import_module(name) for name in names]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", walk], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 40


def test_a_child_on_windows_lives_outside_our_console(monkeypatch: pytest.MonkeyPatch) -> None:
    from bench.safety import processes as children

    started: dict[str, object] = {}
    monkeypatch.setattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0x200, raising=False)
    monkeypatch.setattr(subprocess, "CREATE_NO_WINDOW", 0x8000000, raising=False)
    monkeypatch.setattr(subprocess, "Popen", lambda words, **keys: started.update(keys))
    children.start_child("bench.safety.watchdog_process")
    assert started["creationflags"] == 0x8000200
