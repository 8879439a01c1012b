"""Do the tests bite? `python -m tests.benchmarks.mutants [--count 60] [--seed N] [--jobs 1]`.

One operator, comparison or number of the program is changed at random (a mutant; DeMillo, Lipton &
Sayward 1978), in a copy of the tree, and the tests that mirror its module are run: a mutant that
none of them notices is printed. As many are drawn from each room as from any other. Numbers are
changed by so much that a result which rests on them must move, comparisons are reversed, and what
has no consequence by its kind (annotations, docstrings, words for people) is left out. Survivors
that change nothing anybody could observe are for the reader to tell.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import Queue

ROOT = Path(__file__).resolve().parent.parent.parent
ROOMS = {
    "spans": ("fit/measurement/*.py",),
    "check": tuple(
        f"fit/assessment/{name}.py"
        for name in ("conformity", "decision", "alignment", "diagnosis", "evidence", "hypotheses")
    ),
    "network": ("fit/network/*.py",),
    "budget": ("fit/budget/*.py", "fit/budget/stages/*.py"),
    "control": (
        "bench/control/guard.py",
        "bench/control/sequence.py",
        "bench/acquisition/power_switch.py",
    ),
}
PUBLISHED = {
    "fit/assessment": "test_decision_values.py",
    "fit/budget": "test_stage_values.py",
    "fit/network": "test_network_values.py",
}
"""Values from outside that belong to a room, in `tests/published/`."""
STATED = "tests/test_numbers.py"  # holds constants to what the documentation says they are
SLOWEST = 4.0  # times what the tests take unchanged: beyond, the mutant runs for ever
LEAST_S = 60.0  # of that limit: the machine may be busy with something else

ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
}
REVERSED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}


@dataclass(frozen=True)
class Mutant:
    """One place of one file, and what stands there instead."""

    file: str
    line: int
    begin: int  # byte offset in the file
    end: int
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.before}  ->  {self.after}"


def mutants_of(file: str) -> Iterator[Mutant]:
    """Every mutant of one source file."""
    source = (ROOT / file).read_bytes()
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    for node in _of_consequence(ast.parse(source)):
        for after in _changed(node):
            begin = starts[node.lineno - 1] + node.col_offset
            end = starts[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)
            before = " ".join(source[begin:end].decode().split())
            yield Mutant(file, node.lineno, begin, end, before, f"({ast.unparse(after)})")


def _of_consequence(node: ast.AST) -> Iterator[ast.expr]:
    """Expressions that a result can rest on; no annotation, no words, no module's imports."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.JoinedStr | ast.Raise):
                continue
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
                continue
            if isinstance(child, ast.BinOp | ast.UnaryOp | ast.Compare | ast.Constant):
                yield child
            yield from _of_consequence(child)


def _changed(node: ast.expr) -> Iterator[ast.expr]:
    """What could stand in an expression's place."""
    if isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC and not _is_words(node):
        yield ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
        yield node.operand
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in REVERSED:
        ops = [REVERSED[type(node.ops[0])](), *node.ops[1:]]
        yield ast.Compare(node.left, ops, node.comparators)
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield ast.Constant(node.value + 1 if isinstance(node.value, int) else _off(node.value))


def _is_words(node: ast.BinOp) -> bool:
    """A text put together."""
    return any(
        isinstance(inner, ast.JoinedStr)
        or (isinstance(inner, ast.Constant) and isinstance(inner.value, str))
        for inner in (node.left, node.right)
    )


def _off(value: float) -> float:
    return 1.0 if value == 0 else 1.5 * value


def drawn(count: int, seed: int) -> list[Mutant]:
    """So many mutants, as many from each room as from any other."""
    chance = random.Random(seed)
    rooms = []
    for patterns in ROOMS.values():
        files = sorted(
            str(path.relative_to(ROOT)) for pattern in patterns for path in ROOT.glob(pattern)
        )
        if not files:
            raise SystemExit(f"no file is {' or '.join(patterns)}: put ROOMS right")
        every = [mutant for file in files for mutant in mutants_of(file)]
        rooms.append(chance.sample(every, len(every)))
    taken = [room[i] for i in range(max(map(len, rooms))) for room in rooms if i < len(room)]
    return taken[:count]


def tests_of(file: str) -> tuple[str, ...]:
    """The folder that mirrors a module's own, with the values published or stated of that room."""
    folder = Path(file).parent
    while not (ROOT / "tests" / folder).is_dir():
        folder = folder.parent
    tests = [f"tests/{folder.as_posix()}"]
    if published := PUBLISHED.get(folder.as_posix()):
        tests.append(f"tests/published/{published}")
    if ".".join(Path(file).with_suffix("").parts) in (ROOT / STATED).read_text(encoding="utf-8"):
        tests.append(STATED)
    return tuple(tests)


def copy_to(place: Path) -> Path:
    """The tree, and no more of it than git knows."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        check=True,
        capture_output=True,
    ).stdout.decode()
    for name in filter(None, listed.split("\0")):
        if (ROOT / name).is_file():
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, place / name)
    return place


def passes(tree: Path, tests: tuple[str, ...], most_s: float | None = None) -> bool:
    """Whether tests pass in a copy of the tree; what takes too long does not."""
    # The copy comes first on the path, before the checkout that is installed; compiled files would
    # be taken for those of a source of the same length and second.
    environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-n", "0", "-p", "no:cacheprovider", *tests]
    with subprocess.Popen(
        command,
        cwd=tree,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    ) as child:
        try:
            return child.wait(most_s) == 0
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, 9)
            return False


def survives(mutant: Mutant, tree: Path, most_s: float) -> bool:
    """Whether the tests of a mutant's room pass with it in a copy of the tree."""
    file = tree / mutant.file
    source = file.read_bytes()
    try:
        file.write_bytes(source[: mutant.begin] + mutant.after.encode() + source[mutant.end :])
        return passes(tree, tests_of(mutant.file), most_s)
    finally:
        file.write_bytes(source)


def _limits(tree: Path, mutants: list[Mutant]) -> dict[tuple[str, ...], float]:
    """For each set of tests, how long a mutant may take [s]; unchanged they must pass."""
    limits = {}
    for tests in sorted({tests_of(mutant.file) for mutant in mutants}):
        begun = time.monotonic()
        if not passes(tree, tests):
            raise SystemExit(f"{' '.join(tests)}: fails with nothing changed; see to that first")
        took_s = time.monotonic() - begun
        limits[tests] = max(LEAST_S, SLOWEST * took_s)
        print(f"unchanged: {' '.join(tests)} passes in {took_s:.0f} s", flush=True)
    return limits


def main(arguments: list[str] | None = None) -> int:
    """Print the survivors; how many they are."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.mutants")
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    stated = parser.parse_args(arguments)
    mutants = drawn(stated.count, stated.seed)
    with tempfile.TemporaryDirectory() as place:
        trees: Queue[Path] = Queue()
        for number in range(stated.jobs):
            trees.put(copy_to(Path(place) / str(number)))
        limits = _limits(Path(place) / "0", mutants)

        def tried(mutant: Mutant) -> bool:
            tree = trees.get()
            try:
                return survives(mutant, tree, limits[tests_of(mutant.file)])
            finally:
                trees.put(tree)

        with ThreadPoolExecutor(stated.jobs) as pool:
            alive = 0
            for mutant, survived in zip(mutants, pool.map(tried, mutants), strict=True):
                alive += survived
                print(f"{'SURVIVED' if survived else 'killed  '}  {mutant}", flush=True)
    print(f"{alive} of {len(mutants)} survived ({alive / len(mutants):.0%}), seed {stated.seed}")
    return alive


if __name__ == "__main__":
    sys.exit(min(main(), 1))
