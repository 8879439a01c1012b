"""Every file heatrun reads, damaged at random, through whole commands in forked children.

    python -m tests.benchmarks.mutated_inputs [--runs 10000] [--seed 1] [--at-once 2] [--keep DIR]

Whatever is in a file, a command ends within 10 s of the processor's time, with a status of its own,
no traceback and no fault of its own; bad input leaves one line under 300 characters and no file
written or changed. Each failure is named with its number, its seed and its command; `--keep` keeps
the folder it was run in.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import re
import resource
import select
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from multiprocessing import get_context
from pathlib import Path

from tests.benchmarks.damages import damaged

CPU_S = 10.0  # the processor's time is what a busy computer does not stretch
WALL_S = 300.0  # waits for ever: on a computer that is busy thirty times over, not before


LONGEST_LINE = 300


STATUSES = (0, 1, 2, 3, 4)


ROWS_KEPT = 12  # every twelfth scan of the demo's record: a fit takes a fraction of a second


@dataclass(frozen=True)
class Case:
    """One command, and the files it reads of which one is damaged."""

    words: tuple[str, ...]
    inputs: tuple[str, ...]
    weight: int = 4


RUN, BUDGET, TOUCH = "run", "budget.toml", "touch.toml"


RECORD = ("run/readings.csv", "run/run.json", "run/events.jsonl")


CASES = (
    Case(("budget", BUDGET), (BUDGET,), 12),
    Case(("budget", BUDGET, "--json"), (BUDGET,)),
    Case(("log", "rig.toml"), ("rig.toml",), 20),
    Case(("log", "rig.toml", "--rehearse", "--budget", BUDGET), ("rig.toml", BUDGET), 8),
    Case(("log", "rig.toml", "--resume", RUN), ("rig.toml", *RECORD), 4),
    Case(("fit", RUN), RECORD, 3),
    Case(("fit", "bare.csv", "--json"), ("bare.csv",), 2),
    Case(("check", RUN, "--budget", BUDGET), (*RECORD, BUDGET), 4),
    Case(("check", "bare.csv", "--budget", BUDGET, "--json"), ("bare.csv", BUDGET), 2),
    Case(("compare", RUN, "bare.csv", "--jobs", "1"), (*RECORD, "bare.csv"), 1),
    Case(
        ("rate", RUN, "--budget", BUDGET, "--profile", "profile.csv", "--touch-limits", TOUCH),
        ("profile.csv", TOUCH, *RECORD, BUDGET),
        5,
    ),
    Case(("report", RUN, "--budget", BUDGET), (*RECORD, BUDGET, "run/photos/PHOTO"), 2),
    Case(("netlist", RUN), RECORD, 1),
    Case(
        (
            "import", "other.csv", "--time", "1", "--time-unit", "min", "--node", "tab=2",
            "--node", "case=3", "--node", "ambient=4", "--power", "5", "--out", "new",
        ),
        ("other.csv",),
        8,
    ),
    Case(("note", RUN, "a note", "--photo", "photo.jpg"), ("photo.jpg", *RECORD), 3),
    Case(("FOLLOW", RUN), RECORD, 3),
    Case(("BENCH", "prototype.toml"), ("prototype.toml",), 3),
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What one command made of one damaged file."""

    number: int
    case: Case
    file: str
    status: int | None
    problem: str
    cpu_s: float


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    status: int | None  # None: it hung
    out: str
    err: str
    cpu_s: float


def make_inputs(place: Path) -> None:
    """One good file of every kind."""
    from PIL import Image

    from bench.demo import run_demo
    from fit.records.notes import add_note

    scenario = files("heatrun_data") / "charge_controller"
    for name in (BUDGET, "prototype.toml"):
        (place / name).write_text((scenario / name).read_text(encoding="utf-8"))
    # Ports that are nobody's: the rig is read, and no instrument answers.
    rig = (scenario / "rig.toml").read_text(encoding="utf-8")
    (place / "rig.toml").write_text(re.sub(r"127\.0\.0\.1:4700\d", "127.0.0.1:1", rig, count=1))
    touch = files("heatrun_data") / "touch_limits.toml"
    (place / TOUCH).write_text(touch.read_text(encoding="utf-8"))
    run_demo("none", 1, place / RUN)
    for extra in (place / RUN).iterdir():
        if extra.name not in ("readings.csv", "run.json", "events.jsonl"):
            extra.unlink()
    readings = place / RUN / "readings.csv"
    head, *rows = readings.read_text().splitlines()
    readings.write_text("\n".join([head, *rows[::ROWS_KEPT]]) + "\n")
    names = head.split(",")
    bare = ["t_s,tab_degC,bar_degC,case_degC,ambient_degC,power_W"]
    other = ["Zeit;T1;T2;T3;P"]
    for row in rows[::ROWS_KEPT]:
        cell = dict(zip(names, row.split(","), strict=True))
        power = float(cell["supply_V"] or 0) * float(cell["supply_A"] or 0)
        tab, bar, case, ambient = (
            cell[f"{node}_degC"] for node in ("tab", "bar", "case", "ambient")
        )
        bare.append(f"{cell['t_s']},{tab},{bar},{case},{ambient},{power:.4f}")
        minutes = f"{float(cell['t_s']) / 60:.4f}"
        other.append(f"{minutes};{tab};{case};{ambient};{power:.3f}".replace(".", ","))
    (place / "bare.csv").write_text("\n".join(bare) + "\n")
    (place / "other.csv").write_text("\n".join(other) + "\n")
    (place / "profile.csv").write_text("t_s,power_W\n0,4.2\n60,0\n120,4.2\n300,1.5\n600,0\n")
    Image.new("RGB", (64, 48), (90, 90, 200)).save(place / "photo.jpg")
    add_note(place / RUN, "the pad, torque_Nm=0.5", place / "photo.jpg")


def one(good: str, keep: str | None, seed: int, number: int) -> Outcome:
    """One damaged file through one command."""
    chance = random.Random(f"{seed} {number}")
    case = chance.choices(CASES, [case.weight for case in CASES])[0]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "in"
        shutil.copytree(good, place)
        file = chance.choice(case.inputs)
        if file.endswith("PHOTO"):
            file = str(next((place / RUN / "photos").iterdir()).relative_to(place))
        target = place / file
        target.write_bytes(damaged(target.read_bytes(), chance))
        before = contents(place)
        ended = run_forked(case.words, place)
        problem = judge(case, ended, before, contents(place))
        if problem and keep:
            shutil.copytree(place, Path(keep) / str(number), dirs_exist_ok=True)
    return Outcome(number, case, file, ended.status, problem, ended.cpu_s)


def contents(place: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        str(path.relative_to(place)): path.read_bytes()
        for path in place.rglob("*")
        if path.is_file()
    }


def judge(case: Case, ended: Ended, before: dict[str, bytes], after: dict[str, bytes]) -> str:
    """What is wrong with how a command ended; empty if nothing."""
    status, err, lines = ended.status, ended.err, ended.err.splitlines()
    if status is None:
        return f"hangs: {ended.cpu_s:.0f} s of processor time"
    wrong = [name for name in after.keys() - before.keys() if name.endswith(".tmp")]
    refused = status == 2 and case.words[0] != "compare"  # which names each run it leaves out
    if refused:
        wrong += sorted({name for name, _ in set(after.items()) ^ set(before.items())})
    longest = max(map(len, lines), default=0)
    problems = {
        f"status {status}: {err.strip()[-200:]}": status not in STATUSES,
        err.strip()[-400:]: "Traceback" in err + ended.out or "fault of heatrun's own" in err,
        f"a warning of Python's: {err.strip()[-300:]}": "Warning:" in err,
        f"a line of {longest} characters": longest >= LONGEST_LINE,
        f"{len(lines)} lines: {err[:300]!r}": refused and len(lines) != 1,
        f"wrote {', '.join(wrong)}": bool(wrong),
    }
    return next((problem for problem, is_so in problems.items() if is_so), "")


def run_forked(words: tuple[str, ...], place: Path) -> Ended:
    """A command in a child."""
    paths = [place.parent / name for name in ("out", "err")]
    child = os.fork()
    if child == 0:
        _in_the_child(words, place, paths)
    deadline = time.monotonic() + WALL_S
    watch = os.pidfd_open(child)
    ended = bool(select.select([watch], [], [], max(0.0, deadline - time.monotonic()))[0])
    os.close(watch)
    if not ended:
        os.kill(child, signal.SIGKILL)
    _, raw, usage = os.wait4(child, 0)
    cpu_s = usage.ru_utime + usage.ru_stime
    out, err = (path.read_text(errors="replace") for path in paths)
    signalled = os.WIFSIGNALED(raw) and os.WTERMSIG(raw) in (signal.SIGKILL, signal.SIGXCPU)
    if not ended or signalled or cpu_s > CPU_S:
        return Ended(None, out, err, cpu_s)
    return Ended(os.waitstatus_to_exitcode(raw), out, err, cpu_s)


def _in_the_child(words: tuple[str, ...], place: Path, paths: list[Path]) -> None:
    status = 99
    try:
        resource.setrlimit(resource.RLIMIT_CPU, (int(CPU_S) + 2, int(CPU_S) + 4))
        os.chdir(place)
        nothing = os.open(os.devnull, os.O_RDONLY)
        os.dup2(nothing, 0)
        for number, path in enumerate(paths, start=1):
            os.dup2(os.open(path, os.O_CREAT | os.O_WRONLY | os.O_TRUNC), number)
        sys.stdin = os.fdopen(0, closefd=False)
        sys.stdout = io.TextIOWrapper(os.fdopen(1, "wb", closefd=False), line_buffering=True)
        sys.stderr = io.TextIOWrapper(os.fdopen(2, "wb", closefd=False), line_buffering=True)
        status = call(words)
    except SystemExit as left:
        status = left.code if isinstance(left.code, int) else int(left.code is not None)
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status)


def call(words: tuple[str, ...]) -> int:
    """A command, or one of the programs beside it that read files too."""
    from fit.errors import HeatrunError

    try:
        if words[0] == "FOLLOW":
            from bench.monitor.page_state import page_state
            from fit.records.results import to_json
            from fit.records.tail import FolderReader

            reader = FolderReader(Path(words[1]))
            while reader.look():
                pass
            json.loads(to_json(page_state(reader, [], False)))
            return 0
        if words[0] == "BENCH":
            from bench.virtual.scenario import read_unit

            read_unit(Path(words[1]))
            return 0
    except HeatrunError as error:
        from fit.output.one_line import complain

        return complain(str(error), 2)
    from bench.cli import main

    main(list(words))
    return 0


def _warm_up(good: str) -> None:
    """Load what the commands load, so that no child has to."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as folder:
        for number, case in enumerate(CASES):
            place = Path(folder) / str(number)
            shutil.copytree(good, place)
            with (
                contextlib.chdir(place),
                contextlib.redirect_stdout(io.StringIO()),
                contextlib.redirect_stderr(io.StringIO()),
                contextlib.suppress(SystemExit),
            ):
                call(case.words)


def main(arguments: list[str] | None = None) -> int:
    """Run so many; the number of failures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.mutated_inputs")
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first run")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at-once", type=int, default=2)
    parser.add_argument("--keep", help="folder for what failed")
    options = parser.parse_args(arguments)
    failures, statuses, slowest = 0, Counter[tuple[str, int | None]](), 0.0
    with tempfile.TemporaryDirectory() as good:
        make_inputs(Path(good))
        with ProcessPoolExecutor(
            options.at_once,
            mp_context=get_context("spawn"),
            initializer=_warm_up,
            initargs=(good,),
        ) as pool:
            numbers = range(options.first, options.first + options.runs)
            task = partial(one, good, options.keep, options.seed)
            for done in pool.map(task, numbers, chunksize=5):
                statuses[done.case.words[0], done.status] += 1
                slowest = max(slowest, done.cpu_s)
                if done.problem:
                    failures += 1
                    command = " ".join(done.case.words)
                    print(f"{done.number} ({done.file}; {command}): {done.problem}", flush=True)
    for name in dict.fromkeys(case.words[0] for case in CASES):
        counts = {status: n for (word, status), n in statuses.items() if word == name}
        told = ", ".join(f"status {status}: {counts[status]}" for status in sorted(counts, key=str))
        print(f"{name}: {told}")
    print(
        f"{options.runs} runs, {failures} failures; the slowest took {slowest:.1f} s of processor"
    )
    return failures


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
