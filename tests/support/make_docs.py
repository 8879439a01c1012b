"""What the documentation shows, made by really running it.

    python -m tests.support.make_docs [FILE …]

Rewrites `fit/docs/commands.md` from every command's `--help`, and each block of output in the pages
named (the tutorial when none is). A block stands under a comment that says what makes it:

    <!-- output: heatrun check runs/before --budget b.toml | status 1 | from pad | to case -->

`status` is the exit status it must have, 0 when left out; `from` and `to` cut the output to the
lines from the first that holds one text to the next that holds the other, with … for the rest. A
block that begins with `$ ` shows its command. Times, paths and ports differ from run to run:
`same_line` looks past them, and past the last digit.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from bench.cli import main
from bench.commands import COMMANDS

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "fit" / "docs"
TUTORIAL, REFERENCE = DOCS / "tutorial.md", DOCS / "commands.md"
WIDTH, HELP_WIDTH = 110, 80
PROMPT = "$ "

_BLOCK = re.compile(
    r"^<!-- output: (?P<command>[^|\n]*?)(?P<options>(?: \| [^|\n]*?)*) -->\n```text\n"
    r"(?P<body>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)
_NUMBER = re.compile(r"\d+(?:\.\d*)?(?:e[-+]?\d+)?")
_CHANGING = (
    (re.compile(r"[\w./\\:~-]*[/\\](reader|supply|sense)\b"), "PORT"),
    (re.compile(r"\bruns[/\\][\w.-]+"), "RUN"),
    (re.compile(r"(in|Done in) [\d.]+ s\b"), "in TIME"),
    (re.compile(r"\d{4}-\d\d-\d\d[T ][\d:.]+Z?"), "STAMP"),
    (re.compile(r"-?\b0\.0+\b"), "0"),
)


@dataclass(frozen=True)
class Output:
    """What a command printed, both streams as they came, and how it ended."""

    lines: tuple[str, ...]
    status: int


@dataclass(frozen=True)
class Block:
    """One block of shown output, and what makes it."""

    command: str
    status: int
    first: str  # text the first line holds; "" for the beginning
    last: str  # text the last line holds; "" for the end
    lines: tuple[str, ...]

    def cut(self, lines: tuple[str, ...]) -> tuple[str, ...]:
        """The part of an output that is shown.

        Raises:
            ValueError: a text that `from` or `to` asks for is in no line.
        """
        start = _find(lines, self.first, 0) if self.first else 0
        end = _find(lines, self.last, start) + 1 if self.last else len(lines)
        before = ("…",) if start > 0 else ()
        after = ("…",) if end < len(lines) else ()
        return (*before, *lines[start:end], *after)


class Session:
    """Commands run one after another in a folder of their own, each only once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._done: dict[str, Output] = {}

    def output(self, command: str) -> Output:
        """What a command prints here. A demo is the same whatever its run folder is called."""
        key = re.sub(r" --out \S+", "", command) if " demo" in command else command
        if key not in self._done:
            self._done[key] = self._run(shlex.split(command))
        return self._done[key]

    def _run(self, words: list[str]) -> Output:
        program, *arguments = words
        with contextlib.chdir(self.folder):
            if program == "head":
                return _head(arguments)
            return run_heatrun(arguments, WIDTH)


def run_heatrun(arguments: list[str], width: int) -> Output:
    """What the `heatrun` command prints on a screen of that many columns, without colour."""
    printed, status = io.StringIO(), 0
    with (
        environment(COLUMNS=str(width), NO_COLOR="1"),
        contextlib.redirect_stdout(printed),
        contextlib.redirect_stderr(printed),
    ):
        try:
            main(arguments)
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 1
    lines = [line.rstrip() for line in printed.getvalue().rstrip().splitlines()]
    return Output(tuple(lines), status)


@contextlib.contextmanager
def environment(**changed: str) -> Iterator[None]:
    """Some environment variables, for as long as this lasts."""
    before = {name: os.environ.get(name) for name in changed}
    os.environ.update(changed)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def blocks(text: str) -> list[Block]:
    """Every block of shown output of a page."""
    return [_block(match) for match in _BLOCK.finditer(text)]


def rewritten(text: str, session: Session) -> str:
    """A page with each block of shown output as it comes out now.

    Raises:
        ValueError: a command ended with another status than the page says.
    """

    def fresh(match: re.Match[str]) -> str:
        block = _block(match)
        output = session.output(block.command)
        if output.status != block.status:
            raise ValueError(f"{block.command}: exit status {output.status}\n{output.lines}")
        if same_lines(block.lines, block.cut(output.lines)):
            return match[0]
        before = match[0][: match.start("body") - match.start()]
        prompt = (f"{PROMPT}{block.command}",) if match["body"].startswith(PROMPT) else ()
        lines = (*prompt, *block.cut(output.lines))
        return before + "".join(f"{line}\n" for line in lines) + "```"

    return _BLOCK.sub(fresh, text)


def command_reference() -> str:
    """The page of all commands, from their `--help`."""
    page = [
        "# Commands",
        "",
        "Made from every command's `--help` by `python -m tests.support.make_docs`. What the files",
        "hold is in the comments that `heatrun new` writes. Exit status: 0 done, and for `check`",
        "all spans conforming; 1 `check` found a span non-conforming; 2 bad usage or bad input; 3",
        "`check` could not decide; 4 a guard limit or a lost instrument ended a heat run.",
        "",
        "`--quiet` and `--verbose` come before the command: `heatrun --quiet check …`. Colour is",
        "left out where the environment has `NO_COLOR`. `heatrun --install-completion` lets the",
        "shell complete commands and options.",
    ]
    for name in ("", *COMMANDS):
        words = [name, "--help"] if name else ["--help"]
        lines = run_heatrun(words, HELP_WIDTH).lines
        page += ["", f"## heatrun {name}".rstrip(), "", "```text", *lines, "```"]
    return "\n".join(page) + "\n"


def same_line(shown: str, real: str) -> bool:
    """Whether two lines say the same: times, paths, ports, spacing and the last digit aside."""
    for pattern, instead in _CHANGING:
        shown, real = pattern.sub(instead, shown), pattern.sub(instead, real)
    words = [" ".join(_NUMBER.sub("#", line).split()) for line in (shown, real)]
    pairs = zip(_NUMBER.findall(shown), _NUMBER.findall(real), strict=False)
    return words[0] == words[1] and all(_near(a, b) for a, b in pairs)


def same_lines(shown: tuple[str, ...], real: tuple[str, ...]) -> bool:
    """Whether two outputs say the same, line by line."""
    return len(shown) == len(real) and all(map(same_line, shown, real))


def _near(shown: str, real: str) -> bool:
    """Numbers alike within 2 %, or one and a half of the last digit shown."""
    a, b = float(shown), float(real)
    digits = len(shown.partition("e")[0].partition(".")[2])
    return abs(a - b) <= max(0.02 * abs(a), 1.5 * 10.0**-digits)


def _block(match: re.Match[str]) -> Block:
    options = dict(
        option.strip().split(" ", 1) for option in match["options"].split("|") if option.strip()
    )
    command = match["command"].strip()
    lines = [line.rstrip() for line in match["body"].splitlines()]
    unknown = options.keys() - {"status", "from", "to"}
    if unknown:
        raise ValueError(f"{match['command']}: no option {', '.join(unknown)}")
    return Block(
        command=command,
        status=int(options.get("status", 0)),
        first=options.get("from", ""),
        last=options.get("to", ""),
        lines=tuple(line for line in lines if not line.startswith(PROMPT)),
    )


def _find(lines: tuple[str, ...], text: str, start: int) -> int:
    for i in range(start, len(lines)):
        if text in lines[i]:
            return i
    raise ValueError(f"no line holds {text!r} in {lines}")


def _head(arguments: list[str]) -> Output:
    """The first lines of a file, as `head -N FILE` shows them on any system."""
    count, file = int(arguments[0].lstrip("-")), Path(arguments[1])
    if file.name == OTHER_LOG and not file.exists():
        write_other_log(Path("runs/after"), file)
    with file.open(encoding="utf-8") as stream:
        return Output(tuple(line.rstrip() for line in islice(stream, count)), 0)


OTHER_LOG = "Messung 3.csv"


def write_other_log(run: Path, file: Path) -> None:
    """The readings of a run as another logger might write them: every 10 s, decimal commas."""
    import pandas as pd

    readings = pd.read_csv(run / "readings.csv").iloc[::5]
    table = pd.DataFrame({"Zeit [min]": (readings["t_s"] / 60).round(4)})
    for number, node in enumerate(("tab", "board_back", "bar", "case", "ambient"), 1):
        table[f"Fühler {number} [°C]"] = readings[f"{node}_degC"].round(2)
    table["P [W]"] = (readings["supply_V"] * readings["supply_A"]).round(3)
    table.to_csv(file, sep=";", decimal=",", index=False)


def refresh(pages: list[Path]) -> None:
    """Write the command reference and the shown output of some pages anew."""
    REFERENCE.write_text(command_reference(), encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        session = Session(Path(folder))
        for page in pages:
            text = page.read_text(encoding="utf-8")
            page.write_text(rewritten(text, session), encoding="utf-8")


if __name__ == "__main__":
    refresh([Path(name) for name in sys.argv[1:]] or [TUTORIAL])
