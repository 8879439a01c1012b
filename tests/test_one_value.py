"""Each span of a record has one name and one value, whoever shows it."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shutil
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pytest
from rich.console import Console

from bench import cli
from bench.acquisition.estimator import judged_spans
from bench.demo import run_demo
from bench.monitor.page_state import page_state
from bench.monitor.settling import Judge
from bench.monitor.terminal import picture
from bench.status import Estimate, Scan, Status
from fit.assessment.live import LiveJudge
from fit.budget import read_budget
from fit.measurement.spans import measure
from fit.output.figures import path_figure
from fit.output.path_view import heat_path
from fit.output.theme import to_svg
from fit.records.events import Phase
from fit.records.run import read_run
from fit.records.tail import FolderReader

VALUE = r"[+−-]?[\d.]+ ± [\d.]+"
SPANS = ("via array", "pad", "bar to case", "case to air")
WIDE = 200  # columns, so that no cell of a table is folded

Said = Callable[[str], str]  # a span's name -> what is said of it as measured


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demonstration's run folder (invented data), with a poor contact at the pad."""
    folder = tmp_path_factory.mktemp("one_value") / "first"
    run_demo("pad", 3, folder)
    shutil.copytree(folder, folder.with_name("second"))
    return folder


def heatrun(*words: str) -> str:
    """What a command prints."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.suppress(SystemExit):
        cli.main(list(words))
    return out.getvalue()


def row(text: str, name: str, run: str = "") -> str:
    """The last value with its interval in the row of a table."""
    lines = (line for line in text.splitlines() if name in line and run in line)
    return next(found[-1] for line in lines if (found := re.findall(VALUE, line)))


@pytest.fixture(scope="module")
def said(record: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Said]:
    """By who shows it: what is said of each span."""
    second = str(record.with_name("second"))
    page = tmp_path_factory.mktemp("pages") / "both.html"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", str(WIDE))
        check = heatrun("check", str(record))
        compare = heatrun("compare", str(record), second)
        heatrun("report", str(record), second, "--out", str(page))
    report = unescape(page.read_text(encoding="utf-8"))
    parts = {part.split("</h2>")[0]: part for part in report.split("<h2>")}
    beside, path = parts["Before and after"], parts["The heat path"]

    budget, reader = read_budget(record / "budget.toml"), FolderReader(record)
    while reader.look():
        pass
    run = read_run(record)
    spans = measure(run)
    state = page_state(reader, Judge(budget).estimates(float(run.t_s[-1]), spans), True)
    live = {span["name"]: span for span in json.loads(json.dumps(state["spans"]))}
    verdict = LiveJudge(budget).verdict(spans)
    assert verdict is not None
    estimate = Estimate(1.0, spans=tuple(judged_spans(verdict)))
    status = Status(Scan(1.0, {}, 4.2), Phase.HEAT, None, True, {}, estimate)
    console = Console(file=io.StringIO(), width=WIDE)
    console.print(picture(status, []))
    assert isinstance(console.file, io.StringIO)
    log = console.file.getvalue()
    svg = to_svg(path_figure(heat_path(spans, verdict)), "path")
    texts = re.findall(r"<text.*?</text>", svg, re.DOTALL)
    figure = [re.sub(r"<[^>]*>", "", part).strip() for part in texts]

    def in_figure(name: str) -> str:
        return figure[figure.index(name) + 1].removeprefix("measured ")

    def in_table(html: str, column: str) -> Said:
        cell = rf"</th>.*?<td data-name=\"{column}\">({VALUE})</td>"
        return lambda name: re.search(rf">{re.escape(name)}{cell}", html)[1]  # type: ignore[index]

    return {
        "check": lambda name: row(check.split("E_n")[1], name),
        "compare": lambda name: row(compare.split("to the first")[1], name),
        "report": in_table(path, "measured"),
        "figure of the path": in_figure,
        "report, before": in_table(beside, "before"),
        "report, after": in_table(beside, "after"),
        "watch": lambda name: str(live[name]["value_text"]),
        "log": lambda name: row(log, name),
    }


SHOWN_BY = (
    "compare",
    "report",
    "figure of the path",
    "report, before",
    "report, after",
    "watch",
    "log",
)


@pytest.mark.slow
@pytest.mark.parametrize("who", SHOWN_BY)
def test_every_span_reads_the_same_as_in_check(said: dict[str, Said], who: str) -> None:
    expected = {name: said["check"](name) for name in SPANS}
    assert {name: said[who](name) for name in SPANS} == expected


@pytest.mark.slow
def test_the_cause_names_the_same_value(record: Path, said: dict[str, Said]) -> None:
    pad = said["check"]("pad")
    assert f"Poor contact at 'pad': {pad} K/W measured" in heatrun("check", str(record))
