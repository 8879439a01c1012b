"""What the operator sees, and the reckoning beside the run."""

from __future__ import annotations

import io
import math
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from bench.acquisition.estimator import ProcessEstimator, Reckoning, final_degC
from bench.acquisition.run_loop import heat_run
from bench.clock import LockStepClock
from bench.demo import SCENARIO, make_demo_unit
from bench.monitor.terminal import Lines, Live, open_view, picture
from bench.status import Estimate, Scan, SpanEstimate, Status, describe
from bench.virtual.bench import open_bench
from fit.budget import read_budget
from fit.records.events import Phase
from fit.records.run import read_run
from tests.support import made
from tests.support.bench_rigs import NODES, short_rig

SPANS = (
    SpanEstimate("tab", "case", 5.512, 0.041, 6.0, "conforming", stages=("via array", "pad")),
    SpanEstimate("case", "ambient", 7.9, 0.3, 7.5, "undecided"),
)


def status(t_s: float = 120.0, estimate: Estimate | None = None) -> Status:
    scan = Scan(t_s, {"tab": 61.234, "case": math.nan}, 4.2)
    return Status(scan, Phase.HEAT, 4325.0, True, {"tab": 1.5, "case": math.nan}, estimate, 121)


def drawn(*arguments: Any) -> str:
    console = Console(file=io.StringIO(), width=100)
    console.print(picture(*arguments))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_the_picture_has_phase_time_left_power_temperatures_and_slopes() -> None:
    text = drawn(status(), [])
    for word in ("heat", "1 h 12 min", "power ON 4.200 W", "61.23", "+1.50"):
        assert word in text


def test_a_supply_that_reads_just_below_zero_gives_no_negative_zero() -> None:
    off = replace(status(), scan=replace(status().scan, power_W=-0.0002))
    assert "off 0.000 W" in drawn(replace(off, power_on=False), [])


def test_a_missing_reading_is_a_dash() -> None:
    row = next(line for line in drawn(status(), []).splitlines() if line.startswith("case"))
    assert row.split() == ["case", "–", "–", "–"]


def test_spans_are_shown_with_their_decision() -> None:
    text = drawn(status(estimate=Estimate(120.0, (5.0,), {"tab": 70.5}, SPANS)), [])
    assert "70.5" in text
    rows = [line.split() for line in text.splitlines() if "±" in line]
    assert rows[0] == ["via", "array", "+", "pad", "5.512", "±", "0.082", "6.00", "conforming"]
    assert rows[1] == ["case", "–", "ambient", "7.90", "±", "0.60", "7.50", "undecided"]


def test_a_span_not_resolved_yet_has_no_number() -> None:
    unknown = SpanEstimate("case", "ambient", 52.0, 49.0, 7.5, "undecided", resolved=False)
    text = drawn(status(estimate=Estimate(120.0, (5.0,), {}, (unknown,))), [])
    (line,) = [line for line in text.splitlines() if "case – ambient" in line]
    assert line.split("ambient")[1].split() == ["not", "resolved", "yet", "7.50", "undecided"]


def test_a_minute_of_heating_does_not_tell_the_way_to_air(logged: Path) -> None:
    reckoning = Reckoning(NODES, read_budget(Path(str(SCENARIO / "budget.toml"))))
    for scan in scans(logged):
        if scan.t_s < 180:
            reckoning.add(scan.t_s, [scan.temperature_degC[node] for node in NODES], [scan.power_W])
    estimate = reckoning.estimate()
    assert estimate is not None
    assert [span.resolved for span in estimate.spans][-1] is False


def test_markup_in_an_event_is_only_text() -> None:
    assert "[red]x[/nonsense]" in drawn(status(), [("[red]x[/nonsense]", False)])


def test_lines_come_once_a_minute_and_at_events() -> None:
    stream = io.StringIO()
    view = Lines(stream)
    for t in range(0, 181, 5):
        view.show(status(float(t)))
    view.say("gap", loud=False)
    lines = stream.getvalue().splitlines()
    assert len(lines) == 5
    assert "tab 61.23  case –" in lines[0]
    assert lines[-1] == "gap"


def test_a_screen_that_has_gone_does_not_end_the_run() -> None:
    stream = io.StringIO()
    view = Lines(stream)
    stream.close()
    view.say("still here")
    view.show(status())


def test_what_is_no_terminal_gets_lines() -> None:
    assert isinstance(open_view(io.StringIO()), Lines)


def test_the_live_view_redraws_at_most_twice_a_second() -> None:
    console = Console(file=io.StringIO(), force_terminal=True, width=100)
    view = Live(console)
    draws: list[float] = []
    refresh = view._refresh
    view._refresh = lambda: (draws.append(time.monotonic()), refresh())[1]  # type: ignore[method-assign]
    started = time.monotonic()
    while time.monotonic() - started < 1.6:
        view.show(status())
        time.sleep(0.005)
    view.close()
    assert 1 <= len(draws) <= 4


@pytest.mark.parametrize(
    ("event", "details", "text"),
    [
        ("power_on", {}, "power on"),
        ("bad_line", {"instrument": "reader", "count": 3, "lines": ["x"]}, "reader: count 3"),
        ("reconnect", {"instrument": "reader", "gap_s": 1.5}, "reader: gap 1.5 s"),
        ("gap", {"instrument": "a", "problem": "a: lost"}, "a: lost"),
    ],
)
def test_events_read_as_lines(event: str, details: dict[str, object], text: str) -> None:
    assert describe(1.0, event, details).endswith(text)


@pytest.fixture(scope="module")
def logged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A quarter of an hour of the demo's heating."""
    folder = tmp_path_factory.mktemp("logged") / "run"
    clock = LockStepClock()
    with open_bench(make_demo_unit("pad", 1), clock.now_s, step_s=1.0) as bench:
        sequence = {"interval_s": 2.0, "soak_s": 120.0, "heat_s": 900.0, "cool_s": 0.0}
        rig = short_rig(bench.ports, sequence=sequence, guard={"silence_s": 10.0})
        heat_run(rig, folder=folder, clock=clock)
    return folder


def scans(folder: Path) -> list[Scan]:
    run = read_run(folder)
    rows = zip(run.t_s, run.temperature_degC, run.power, strict=True)
    return [
        Scan(float(t), dict(zip(NODES, map(float, row), strict=True)), float(power))
        for t, row, power in rows
    ]


def test_the_reckoning_decides_the_pad_from_a_quarter_of_an_hour(logged: Path) -> None:
    reckoning = Reckoning(NODES, read_budget(Path(str(SCENARIO / "budget.toml"))))
    for scan in scans(logged):
        reckoning.add(scan.t_s, [scan.temperature_degC[node] for node in NODES], [scan.power_W])
    estimate = reckoning.estimate()
    assert estimate is not None
    pad = next(one for one in estimate.spans if one.from_node == "board_back")
    assert pad.decision == "non-conforming"


def test_a_final_temperature_is_given_where_the_way_to_ambient_is_known() -> None:
    known, unknown = made.spans(relative_u=0.01), made.spans(relative_u=0.5)
    assert final_degC(known) == pytest.approx(dict(zip(known.nodes, known.final_degC, strict=True)))
    assert list(final_degC(unknown)) == ["ambient"]


def test_no_final_temperature_is_given_while_heating_has_hardly_begun(logged: Path) -> None:
    reckoning = Reckoning(NODES, None)
    for scan in [one for one in scans(logged) if one.t_s < 150.0]:
        reckoning.add(scan.t_s, [scan.temperature_degC[node] for node in NODES], [scan.power_W])
    early = reckoning.estimate()
    assert early is not None
    assert list(early.final_degC) == ["ambient"]


def test_the_reckoning_runs_in_a_process_of_its_own(logged: Path) -> None:
    estimator = ProcessEstimator(NODES, None)
    for scan in scans(logged):
        estimator.add(scan)
    deadline = time.monotonic() + 60.0
    while estimator.latest() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    found = estimator.latest()
    estimator.close()
    assert found is not None
    assert [span.from_node for span in found.spans] == list(NODES[:-1])
    assert all(span.decision is None for span in found.spans)


def test_a_reckoning_that_dies_does_not_hold_up_the_run() -> None:
    estimator = ProcessEstimator(NODES, None)
    estimator._process.kill()
    estimator._process.wait()
    for t in range(100):
        estimator.add(Scan(float(t), dict.fromkeys(NODES, 23.0), 0.0))
    assert estimator.latest() is None
    estimator.close()
