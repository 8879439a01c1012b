"""The report: what it says, what it must never hold, how it stands on a phone and on paper."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from fit.assessment.conformity import Verdict, hold
from fit.assessment.diagnosis import Finding
from fit.budget import predict, read_budget
from fit.commands.report import reported_first
from fit.errors import HeatrunError, RecordError
from fit.output.report.pdf import print_page
from fit.output.report.rating import rate_verdict
from fit.output.report.report import draw_figures, gather, render, write_report
from fit.output.report.uncertainty_table import uncertainty_table
from fit.output.text import state, story
from fit.records.run import Event, Run
from tests.fit.output.test_figures import made_response, made_run
from tests.support.browser import browser
from tests.support.made import prediction, run_metadata, spans

NASTY = '<script>alert(1)</script><img src="http://example.invalid/x">'
MOST_PAGES = 4  # of A4, for a path of five stages
VOID = {"meta", "link", "br", "img", "input", "hr"}


class Outline(HTMLParser):
    """Tags that are open, every attribute, and whether tags close in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def report(verdict: Verdict | None = None, **changes: object) -> str:
    run = dataclasses.replace(made_run(), **changes)
    response = dataclasses.replace(made_response(run), run=None)
    material = gather(run, response, verdict)
    return render(material, draw_figures(material))


def with_lead(verdict: Verdict, kind: str, where: str) -> Verdict:
    lead = Finding(kind, where, 0.97, "What it is.", True, ("Do this first.",), "Mind the heat.")
    return dataclasses.replace(verdict, findings=(lead,))


def outline(html: str) -> Outline:
    parser = Outline()
    parser.feed(html)
    assert parser.open == []
    return parser


def test_tags_close_in_order_and_ids_stand_once():
    found = outline(report(hold(spans({"pad": 2.0}), prediction())))
    ids = [attributes["id"] for _, attributes in found.tags if "id" in attributes]
    shared = {one for one in ids if ids.count(one) > 1}
    assert not shared


def test_nothing_outside_is_referred_to():
    html = report(hold(spans(), prediction()))
    outside = [
        value
        for tag, attributes in outline(html).tags
        for key, value in attributes.items()
        if key in ("src", "href", "action", "srcset") and not (value or "").startswith("#")
    ]
    assert outside == []
    assert not re.search(r"https?://|@import", html)
    assert "<script" not in html


def test_decision_and_lead_cause_come_first_in_plain_words():
    verdict = with_lead(hold(spans({"pad": 2.0}), prediction()), "poor-contact", "pad")
    html = report(verdict)
    first = html.index("Over budget", html.index("<body>"))
    order = [html.index(words, first) for words in ("Poor contact at the pad", "Do this first.")]
    assert first < order[0] < order[1] < html.index("The heat path")


@pytest.mark.parametrize(
    ("kind", "where", "words"),
    [
        ("poor-contact", "pad", "Poor contact at the pad"),
        ("high-resistance", "via array", "Too much resistance at the via array"),
        ("sensor-placement", "bar", "The bar thermocouple reads wrong"),
        ("power-error", "power", "The power reading is off"),
        ("weak-cooling", "case to air", "The case gives off its heat poorly"),
    ],
)
def test_every_kind_of_finding_has_a_headline(kind: str, where: str, words: str):
    verdict = with_lead(hold(spans({"pad": 2.0}), prediction()), kind, where)
    assert state(verdict).headline == words


def test_a_wrong_sensor_leaves_open_whether_the_span_is_over():
    verdict = with_lead(hold(spans({"pad": 2.0}), prediction()), "sensor-placement", "bar")
    assert all(fact.startswith("as read, ") for fact in state(verdict).facts)


def test_what_conforms_goes_on_to_rating():
    said = state(hold(spans(), prediction()))
    assert said.decision == "Within budget"
    assert "rate" in said.steps[0]


def test_what_is_not_decided_says_how_it_could_be():
    said = state(hold(spans({"pad": 1.25}, relative_u=0.2), prediction()))
    assert said.decision == "Not decided"
    assert any("longer" in step for step in said.steps)


def test_every_span_stands_in_the_table_measured_beside_predicted():
    verdict = hold(spans(), prediction())
    path = report(verdict).split("The heat path</h2>")[1].split("</table>")[0]
    rows = re.findall(r'<tr class="(node|span).*?<th scope="row" class="words">([^<]*)</th>', path)
    assert [name for kind, name in rows if kind == "span"] == [
        "junction to tab",
        "via array",
        "pad",
        "bar + bar to case",
        "case to air",
    ]
    nodes = ["junction", "tab", "board_back", "bar", "case", "ambient"]
    assert [name for kind, name in rows if kind == "node"] == nodes


@pytest.fixture(scope="module")
def real_verdict(tmp_path_factory: pytest.TempPathFactory) -> Verdict:
    """Of the demonstration's own budget, every span as it predicts (invented)."""
    budget = read_budget(Path(__file__).parents[3] / "data" / "charge_controller" / "budget.toml")
    predicted = predict(budget)
    nodes = budget.nodes[1:]
    R = predicted.R_K_per_W[1:] * budget.conditions.path_fraction
    rise = np.append(np.cumsum(R[::-1])[::-1], 0.0) * predicted.power_W
    made = dataclasses.replace(
        spans(),
        nodes=nodes,
        R_K_per_W=R,
        covariance={"fit": np.diag((0.01 * R) ** 2)},
        final_degC=predicted.ambient_degC + rise,
    )
    return hold(made, predicted)


def rated_report(verdict: Verdict) -> str:
    run = made_run()
    rated = rate_verdict(verdict)
    material = gather(run, made_response(run), verdict, rated=rated)
    return render(material, draw_figures(material))


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", html[html.index("<body>") :]).split())


def test_the_rating_is_that_of_the_rate_command(real_verdict: Verdict):
    rating = rate_verdict(real_verdict).rating
    assert rating is not None
    assert rating.allowable_power_W is not None
    said = words(rated_report(real_verdict))
    allowed = rating.allowable_power_W
    assert f"Allowable: {allowed.value:.3g} W , 95 % interval {allowed.low:.3g} to" in said
    for row in rating.touch_rows:
        assert row.contact in said
    assert "nobody yet" in said
    assert all(caution[1:] in said for caution in rating.cautions)


def test_what_is_over_budget_is_to_be_mended_before_it_is_rated(real_verdict: Verdict):
    faulty = dataclasses.replace(real_verdict, decision="non-conforming")
    assert "Mend it, run again, and rate that." in rated_report(faulty)
    misread = with_lead(faulty, "sensor-placement", "bar")
    assert "The bar thermocouple reads wrong: this is what follows" in rated_report(misread)


def test_a_path_that_is_not_resolved_is_not_rated(real_verdict: Verdict):
    measured = real_verdict.measured
    covariance = {"fit": measured.covariance["fit"] + np.diag([0, 0, 0, 50.0**2])}
    unknown = dataclasses.replace(measured, covariance=covariance)
    verdict = dataclasses.replace(real_verdict, measured=unknown)
    said = words(rated_report(verdict))
    assert "No rating: the record does not resolve case to ambient" in said
    assert "Allowable" not in said


def test_the_first_screen_does_not_say_its_headline_twice():
    verdict = hold(spans({"pad": 2.0}), prediction())
    said = state(verdict)
    assert said.headline == "Poor contact at the pad"
    assert said.text.startswith("1.200 ± 0.034 K/W measured, 0.60 ± 0.14 K/W predicted")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "High resistance at 'bar' (bar + bar to case, which holds it): 2 K/W measured.",
            "In bar + bar to case: 2 K/W measured.",
        ),
        ("The 'bar' thermocouple reads low by 10 %.", "It reads low by 10 %."),
        ("All spans are off alike: as 20 %.", "All spans are off alike: as 20 %."),
    ],
)
def test_the_story_under_a_headline_is_whole(text: str, told: str):
    assert story(Finding("high-resistance", "bar", 0.9, text)) == told


def test_without_budget_nothing_is_judged():
    html = report(None)
    assert "Measured, not judged" in html
    assert "probability within limit" not in html


def test_labels_and_notes_cannot_bring_markup():
    html = report(
        hold(spans(), prediction()),
        label=NASTY,
        nodes=(NASTY, "case", "ambient"),
        events=(Event(5.0, "operator", {"text": NASTY}),),
        metadata=run_metadata(
            {"sensors": {"tab": {"name": NASTY}}, "id": NASTY, "rig": {"title": NASTY}}
        ),
        left_out=(NASTY,),
    )
    tags = {tag for tag, _ in outline(html).tags}
    assert not tags & {"script", "img"}
    assert html.count("&lt;script&gt;") >= 5


def test_inputs_are_named_with_their_digest(tmp_path: Path):
    readings = tmp_path / "readings.csv"
    readings.write_text("t_s,tab_degC,power_W\n0,1,2\n")
    html = report(hold(spans(), prediction()), path=tmp_path)
    assert hashlib.sha256(readings.read_bytes()).hexdigest() in html


def test_power_in_another_unit_is_said_and_not_called_watts():
    run = dataclasses.replace(made_run(), power_unit="%")
    response = dataclasses.replace(made_response(run), power_unit="%")
    material = gather(run, response)
    html = render(material, draw_figures(material))
    assert "K/%" in html
    assert "K/W</th>" not in html


def test_a_run_without_power_still_has_its_time_constants():
    run = dataclasses.replace(made_run(), power=np.zeros(400))
    response = dataclasses.replace(made_response(run), power=0.0)
    material = gather(run, response)
    assert "Time constants" in render(material, draw_figures(material))


def test_writing_replaces_the_report_whole(tmp_path: Path):
    run = made_run()
    (tmp_path / "report.html").write_text("old")
    written = write_report(run, made_response(run), hold(spans(), prediction()), tmp_path)
    assert written == tmp_path / "report.html"
    assert written.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    assert written.stat().st_size < 1_000_000


def test_a_folder_that_is_not_there_is_one_clear_line(tmp_path: Path):
    run = made_run()
    with pytest.raises(RecordError, match="cannot be written"):
        write_report(run, made_response(run), None, tmp_path / "nowhere")


def test_printing_without_a_browser_says_what_to_do(tmp_path, monkeypatch):
    monkeypatch.setattr("fit.output.report.pdf.find_browser", lambda: None)
    with pytest.raises(HeatrunError, match="install one"):
        print_page(tmp_path / "report.html", tmp_path / "report.pdf")


@pytest.mark.parametrize("named", [("first", "second"), ("second", "first")])
def test_of_two_runs_the_later_is_reported_whichever_is_named_first(named, monkeypatch):
    started = {"first": "2026-01-01T08:00:00Z", "second": "2026-01-02T08:00:00Z"}

    def read(path: Path) -> Run:
        document = run_metadata({"started": started[path.name]})
        return dataclasses.replace(made_run(), path=path, metadata=document)

    monkeypatch.setattr("fit.records.run.read_run", read)
    run, others = reported_first([Path(name) for name in named])
    assert (run.path.name, [other.path.name for other in others]) == ("second", ["first"])


def test_where_no_start_is_known_runs_are_named_in_their_order(monkeypatch):
    monkeypatch.setattr(
        "fit.records.run.read_run", lambda path: dataclasses.replace(made_run(), path=path)
    )
    run, others = reported_first([Path("one"), Path("two")])
    assert (run.path.name, [other.path.name for other in others]) == ("two", ["one"])


@pytest.mark.slow
def test_in_a_browser_it_fits_a_phone_asks_nothing_and_prints(
    real_verdict: Verdict, tmp_path: Path
):
    run = made_run()
    verdict = hold(spans({"pad": 2.0}), prediction())
    rated = rate_verdict(real_verdict)
    page = write_report(run, made_response(run), verdict, tmp_path, rated=rated)
    with browser(tmp_path / "profile") as tab:
        tab.open("about:blank")
        tab.requested()
        for width in (1280, 400):
            tab.resize(width, 800)
            tab.open(page.as_uri())
            assert tab.run("return document.documentElement.scrollWidth") <= width
        tab.resize(400, 800)
        bottom = tab.run("return document.querySelector('h1').getBoundingClientRect().bottom")
        assert bottom < 400
        assert {address for address in tab.requested() if "://" in address} == {page.as_uri()}
        assert tab.complaints() == []
        printed = tab.devtools("Page.printToPDF", preferCSSPageSize=True)
        pdf = base64.b64decode(printed["data"])
        assert len(pdf) > 10_000
        assert 1 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= MOST_PAGES


def test_an_uncertainty_is_written_to_the_same_place_as_its_parts() -> None:
    (row, *_) = uncertainty_table(spans(relative_u=0.06), 0.01, {})
    assert all(re.fullmatch(r"\d+\.\d", cell.percent) for cell in (row, *row.cells))
