"""What a record does not resolve is said in words, wherever a person reads it."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from fit.assessment.conformity import Verdict, hold
from fit.measurement.resolution import NOT_RESOLVED, are_resolved
from fit.measurement.spans import Spans
from fit.output.documents import check_document, fit_document, linear_intervals
from fit.output.figures.comparison import comparison_figure
from fit.output.path_view import heat_path
from fit.output.report.path_table import path_table
from fit.output.report.rows import comparison_rows
from fit.output.terminal.check import print_verdict
from fit.output.terminal.compare import compare_document, print_comparison
from fit.output.terminal.fit import print_response
from fit.output.text import state
from fit.output.theme import to_svg
from fit.output.unit_rows import table_rows, unit_row
from fit.records.results import to_json
from fit.statistics.comparison import MeasuredRun, compare
from tests.fit.output.test_figures import made_response, made_run
from tests.support.made import prediction, spans


def short_record() -> Spans:
    """The case's way to air is unknown, 50 ± 50 K/W, as after a minute of heating."""
    made = spans()
    R, u2 = made.R_K_per_W.copy(), np.diag(made.covariance["fit"]).copy()
    R[-1], u2[-1] = 50.0, 50.0**2
    above = np.append(np.cumsum(R[::-1])[::-1], 0.0) * made.power_W
    return replace(
        made, R_K_per_W=R, covariance={"fit": np.diag(u2)}, final_degC=23.0 + above, settled=False
    )


@pytest.fixture
def verdict() -> Verdict:
    return hold(short_record(), prediction())


def printed(show, *arguments, width: int = 120) -> str:
    stream = io.StringIO()
    show(Console(file=stream, width=width), *arguments)
    return stream.getvalue()


def test_a_span_next_to_nothing_is_resolved_and_an_unknown_one_is_not() -> None:
    nan = float("nan")
    found = are_resolved([4.0, 0.001, 0.5, nan, 3.0], [0.1, 0.01, 0.4, nan, np.inf])
    assert found.tolist() == [True, True, False, False, False]


@pytest.mark.parametrize(("u", "resolved"), [(0.299, True), (0.301, False)])
def test_a_span_is_resolved_up_to_three_tenths_of_itself(u: float, resolved: bool) -> None:
    assert are_resolved([1.0], [u]).tolist() == [resolved]
    assert are_resolved([-1.0], [u]).tolist() == [resolved]


@pytest.mark.parametrize(("u", "resolved"), [(0.049, True), (0.051, False)])
def test_next_to_nothing_is_half_a_percent_of_the_largest_span_measured(
    u: float, resolved: bool
) -> None:
    """10 K/W is the largest that is measured; 500 K/W beside it is not."""
    assert are_resolved([10.0, 0.0, 500.0], [1.0, u, 500.0]).tolist() == [True, resolved, False]


def test_nothing_known_is_nothing_resolved() -> None:
    assert are_resolved([float("nan")], [0.1]).tolist() == [False]


def test_the_table_of_a_check_says_it_in_words(verdict: Verdict) -> None:
    lines = printed(print_verdict, verdict).splitlines()
    line = next(line for line in lines if "case to air" in line)
    assert NOT_RESOLVED in line
    assert "±" not in line.partition(NOT_RESOLVED)[2]


def test_json_keeps_the_number_and_says_that_it_is_none(verdict: Verdict) -> None:
    document = json.loads(to_json(check_document(verdict)))
    pad, air = document["spans"][2]["measured"], document["spans"][-1]["measured"]
    assert (pad["resolved"], air["resolved"]) == (True, False)
    assert air["R_K_per_W"] == pytest.approx(50 / 0.97)


def test_the_csv_table_says_which_span_is_resolved(verdict: Verdict) -> None:
    rows = table_rows(unit_row(made_run(), verdict, "", ""))
    assert [row["resolved"] for row in rows] == [None, True, True, True, False]


def test_the_report_says_it_in_words(verdict: Verdict) -> None:
    row = path_table(heat_path(verdict.measured, verdict), verdict, with_nodes=False)[-1].cells
    assert (row["measured"], row["probability"], row["E_n"]) == (NOT_RESOLVED, "–", "–")


def test_the_first_screen_names_it_among_the_facts(verdict: Verdict) -> None:
    assert f"case to air: {NOT_RESOLVED} by this record" in state(verdict).facts


def test_the_path_has_no_temperature_above_an_unknown_span(verdict: Verdict) -> None:
    nodes = {node.name: node for node in heat_path(verdict.measured, verdict).nodes}
    assert nodes["tab"].degC is None
    assert not nodes["tab"].settles
    assert nodes["ambient"].degC == 23.0
    assert nodes["junction"].degC is None


def test_a_span_within_its_limit_however_wide_keeps_its_probability() -> None:
    made = spans({"pad": 0.2})
    wide = replace(made, covariance={"fit": made.covariance["fit"] + np.diag([0, 0.08**2, 0, 0])})
    verdict = hold(wide, prediction())
    row = path_table(heat_path(wide, verdict), verdict, with_nodes=False)[2].cells
    assert (row["measured"], row["decision"]) == (NOT_RESOLVED, "conforming")
    assert row["probability"] == "over 99 %"


def test_a_comparison_says_it_and_gives_no_difference() -> None:
    runs = [MeasuredRun(Path(n), n, s) for n, s in (("long", spans()), ("short", short_record()))]
    comparison = compare(runs)
    # The first line says it in words; the table's row has no difference.
    lines = [
        line for line in printed(print_comparison, comparison).splitlines() if NOT_RESOLVED in line
    ]
    assert lines[-1].split()[-1] == "–"
    document = compare_document(comparison)
    assert [one["resolved"] for one in document["spans"][-1]["runs"]] == [True, False]
    row = comparison_rows(comparison)[-1]
    assert (row["measured"], row["difference"]) == (NOT_RESOLVED, "–")
    assert f"{NOT_RESOLVED} in 1 of 2 runs" in to_svg(comparison_figure(comparison), "made")


def test_a_node_of_a_fit_that_is_not_resolved_is_said_so() -> None:
    run = made_run()
    response = replace(made_response(run), covariance={"fit": np.diag([0.01, 9.0])})
    text = printed(print_response, run, response, linear_intervals(response), "linear")
    (line,) = [line for line in text.splitlines() if line.startswith("case") and "resol" in line]
    assert NOT_RESOLVED in line
    nodes = fit_document(response)["nodes"]
    assert [node["resolved"] for node in nodes.values()] == [True, False]  # type: ignore[attr-defined]


def test_a_term_that_leaves_the_total_open_has_no_number_either() -> None:
    run = made_run()
    made = made_response(run)
    u = np.full_like(made.resistance_u_K_per_W, 0.01)
    u[0, -1] = 70.0
    response = replace(made, resistance_u_K_per_W=u, covariance={"fit": np.diag([4900.0, 0.01])})
    text = printed(print_response, run, response, linear_intervals(response), "linear")
    networks = text[text.index("Networks of") :]
    assert "140" not in networks
    assert networks.count(NOT_RESOLVED) == 1


@pytest.mark.parametrize("order", [7, 12, 20])
def test_many_time_constants_do_not_fold_on_80_columns(order: int) -> None:
    run = made_run()
    response = replace(
        made_response(run),
        nodes=("board_back", "case"),
        tau_s=np.geomspace(0.5, 4e4, order),
        tau_u_s=np.full(order, 0.1),
        resistance_K_per_W=np.full((2, order), -1234.56789),
        resistance_u_K_per_W=np.full((2, order), 0.1),
    )
    text = printed(print_response, run, response, linear_intervals(response), "linear", width=80)
    part = text[text.index("Resistance above") : text.index("Networks of")]
    lines = part.splitlines()[1:-1]
    assert [line.split()[0] for line in lines] == ["node", "board_back", "case"] * (len(lines) // 3)
    assert part.count("-1235") == 2 * order
    assert max(map(len, text.splitlines())) <= 80
