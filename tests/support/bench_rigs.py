"""A short heat run on a virtual bench, for the tests of the logger (invented values)."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from bench.demo import make_demo_unit
from bench.rig.schema import Rig, rig_from
from bench.status import Status
from bench.virtual.bench import FastClock, VirtualBench, open_bench
from fit.records.events import Phase

NODES = ("tab", "board_back", "bar", "case", "ambient")
INTERVAL_S = 0.05
VIRTUAL = (sys.executable, "-m", "bench.virtual")
HEATRUN = (sys.executable, "-c", "from bench.cli import main; main()")


def tables(ports: Mapping[str, str], **changes: Mapping[str, Any]) -> dict[str, Any]:
    """rig.toml of the short run: half a second of soak, a second of heat, a moment of cooling."""
    made: dict[str, Any] = {
        "schema": 1,
        "title": "Short run",
        "instrument": [
            {
                "name": "reader",
                "driver": "line",
                "port": ports["reader"],
                "query": "READ?",
                "fields": list(NODES),
                "reply_s": 0.2,
            },
            {
                "name": "supply",
                "driver": "scpi",
                "port": ports["supply"],
                "reply_s": 0.3,
                "queries": {"supply_V": "MEAS:VOLT?", "supply_A": "MEAS:CURR?"},
                "switch": {"on": ["VOLT 12", "CURR 0.5", "OUTP ON"], "off": ["OUTP OFF"]},
            },
        ],
        "channel": [{"node": node, "instrument": "reader", "field": node} for node in NODES],
        "power": {"source": "measured", "switch": "supply"},
        "sequence": {
            "interval_s": INTERVAL_S,
            "soak_s": 0.3,
            "heat_s": 0.8,
            "heat_until": "time",
            "cool_s": 0.2,
        },
        "guard": {"silence_s": 8.0},
    }
    for table, keys in changes.items():
        made[table].update(keys)
    return made


def short_rig(ports: Mapping[str, str], **changes: Mapping[str, Any]) -> Rig:
    """The rig of the short run; `changes` go into its tables."""
    return rig_from(tables(ports, **changes), "rig.toml")


@contextmanager
def virtual_bench(speed: float = 20.0, **options: Any) -> Iterator[VirtualBench]:
    """A virtual bench in this process, faster than life."""
    with open_bench(make_demo_unit("none", 1), FastClock(speed), **options) as bench:
        yield bench


def events(folder: Path) -> list[dict[str, Any]]:
    """Every event of a run."""
    return [json.loads(line) for line in (folder / "events.jsonl").read_text().splitlines()]


def named(folder: Path, event: str) -> list[dict[str, Any]]:
    """The events of one name."""
    return [one for one in events(folder) if one["event"] == event]


def until(condition: Any, within_s: float = 5.0) -> bool:
    """Wait for it; False where it does not come."""
    deadline = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.01)
    return True


class Watcher:
    """A view that keeps what it is shown, and may do something at a moment of the run."""

    def __init__(
        self, do: Any = None, when: Any = lambda status: status.phase == Phase.HEAT
    ) -> None:
        self.statuses: list[Status] = []
        self.lines: list[tuple[str, bool]] = []
        self._do, self._when = do, when

    def show(self, status: Status) -> None:
        self.statuses.append(status)
        if self._do is not None and self._when(status):
            do, self._do = self._do, None
            do()

    def say(self, text: str, loud: bool = False) -> None:
        self.lines.append((text, loud))

    def close(self) -> None:
        pass


class OtherProcess:
    """The virtual bench in a process of its own, and `heatrun log` in another."""

    def __init__(
        self,
        folder: Path,
        *arguments: str,
        speed: float = 20.0,
        program: tuple[str, ...] = VIRTUAL,
    ) -> None:
        self.folder = folder
        self.bench = subprocess.Popen(
            [*program, "--speed", f"{speed:g}", "--folder", str(folder), *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self.ports: dict[str, str] = self._answer()["ports"]
        self.logger: subprocess.Popen[str] | None = None

    def state(self) -> dict[str, Any]:
        """State of the virtual bench: on, power_W, switched, ..."""
        assert self.bench.stdin is not None
        self.bench.stdin.write("?\n")
        self.bench.stdin.flush()
        return self._answer()

    def log(
        self,
        out: Path,
        *arguments: str,
        stdin: Any = subprocess.DEVNULL,
        first: str = "",
        before: tuple[str, ...] = (),
        shell: str = "",
        terminal: int | None = None,
        whole_rig: Mapping[str, Any] | None = None,
        **changes: Any,
    ) -> None:
        """Start `heatrun log` on a rig written for it.

        Args:
            out: the run folder.
            arguments: options of `log`.
            stdin: standard input.
            first: what its Python runs before.
            before: options before `log`.
            shell: redirections by a shell.
            terminal: descriptor of the terminal it takes for its own, in place of pipes.
            whole_rig: tables in place of the short rig's.
            changes: of the short rig's tables.
        """
        rig = self.folder / f"{out.name}.toml"
        rig.write_text(toml(whole_rig or tables(self.ports, **changes)), encoding="utf-8")
        python, option, program = HEATRUN
        if terminal is not None:
            first = f"import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n{first}"
        words = [python, option, f"{first}\n{program}", *before, "log", str(rig)]
        words += ["--out", str(out), *arguments]
        if shell:
            words = ["sh", "-c", f'exec "$@" {shell}', "sh", *words]
        pipe = subprocess.PIPE if terminal is None else terminal
        self.logger = subprocess.Popen(
            words,
            stdin=stdin if terminal is None else terminal,
            stdout=pipe,
            stderr=pipe,
            text=True,
            start_new_session=True,
        )

    def wait_for(self, out: Path, event: str, within_s: float = 20.0) -> None:
        """Return when the run has that event."""
        deadline = time.monotonic() + within_s
        while time.monotonic() < deadline:
            path = out / "events.jsonl"
            if path.is_file() and f'"event": "{event}"' in path.read_text():
                return
            assert self.logger is not None
            if self.logger.poll() is not None:
                break
            time.sleep(0.01)
        raise AssertionError(f"no {event}; {self.finish()}")

    def wait_for_watchdog(self, out: Path) -> None:
        """Return when the watchdog has written that the power is off, and so is done."""
        if not until(lambda: '"watchdog"' in (out / "events.jsonl").read_text(), 10.0):
            raise AssertionError("the watchdog wrote nothing")

    def wait_until_off(self, within_s: float) -> float:
        """Seconds until the supply is off."""
        started = time.monotonic()
        while self.state()["on"]:
            if time.monotonic() - started > within_s:
                raise AssertionError(f"still on after {within_s} s")
            time.sleep(0.01)
        return time.monotonic() - started

    def send(self, number: signal.Signals) -> None:
        """A signal to the logger."""
        assert self.logger is not None
        os.kill(self.logger.pid, number)

    def finish(self, within_s: float = 20.0) -> tuple[int, str, str]:
        """Exit status, standard output and standard error of the logger."""
        assert self.logger is not None
        out, err = self.logger.communicate(timeout=within_s)
        return self.logger.returncode, out, err

    def close(self) -> None:
        if self.logger is not None and self.logger.poll() is None:
            self.logger.kill()
            self.logger.communicate()
        self.bench.kill()
        self.bench.communicate()

    def __enter__(self) -> OtherProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _answer(self) -> dict[str, Any]:
        assert self.bench.stdout is not None
        return json.loads(self.bench.stdout.readline())


def toml(document: Mapping[str, Any], path: str = "") -> str:
    """Enough TOML for a rig."""
    plain, rest = [], []
    for key, value in document.items():
        name = f"{path}{key}"
        if isinstance(value, Mapping):
            rest.append(f"[{name}]\n{toml(value, name + '.')}")
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            rest.extend(f"[[{name}]]\n{toml(one, name + '.')}" for one in value)
        else:
            plain.append(f"{key} = {json.dumps(value)}\n")
    return "".join(plain) + "".join(rest)
