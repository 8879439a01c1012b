"""The live page: what it reads, what it refuses, and what a browser shows of a growing run."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from bench.monitor.follower import Watcher
from bench.monitor.page_state import page_state, thin
from bench.monitor.progress import GuardLine, describe, phase
from bench.monitor.server import Board, PageServer
from bench.monitor.settling import Estimate, Settling
from bench.monitor.settling import judged as judged_of
from bench.virtual.ports import HAS_PTY
from fit.assessment.conformity import hold
from fit.errors import RecordError
from fit.measurement.spans import Spans
from fit.records.metadata import run_document
from fit.records.results import to_json
from fit.records.run import Event, read_run
from fit.records.tail import FolderReader
from fit.records.writer import RunWriter
from tests.fit.measurement.test_resolution import short_record
from tests.support.bench_rigs import HEATRUN, OtherProcess
from tests.support.browser import browser, wait_until
from tests.support.made import prediction, spans

NODES = ("tab", "case", "ambient")
RIG = {
    "sequence": {"interval_s": 1.0, "soak_s": 20, "heat_s": 600, "cool_s": 60},
    "guard": {"max_degC": {"tab": 110, "case": 65}},
}
LABEL = "weather station <img src=x onerror=alert(1)>"


def readings(t_s: float) -> dict[str, float]:
    """A made two-stage product, its power on at 20 s."""
    heated = max(t_s - 20, 0.0)
    case = 15 * (1 - np.exp(-heated / 400))
    tab = case + 20 * (1 - np.exp(-heated / 8))
    noise = 0.02 * np.sin(np.array([1.3, 2.1, 3.7]) * t_s)
    values = 23 + np.array([tab, case, 0.0]) + noise
    row = {f"{node}_degC": float(v) for node, v in zip(NODES, values, strict=True)}
    return row | {"power_W": 4.2 if t_s >= 20 else 0.0}


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RunWriter]:
    document = run_document(LABEL, NODES, datetime(2026, 1, 2, tzinfo=UTC), rig=RIG)
    with RunWriter.create(tmp_path / "run é 1", document, ["power_W"]) as run:
        yield run


def log(writer: RunWriter, first: int, last: int) -> None:
    for t_s in range(first, last):
        if t_s == 20:
            writer.append_event(20.0, "power_on")
        writer.append_scan(float(t_s), readings(t_s))


@contextlib.contextmanager
def serving(folder: Path) -> Iterator[PageServer]:
    board = Board()
    watcher = Watcher(FolderReader(folder), None, board)
    server = PageServer(board)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    watcher.start()
    try:
        yield server
    finally:
        watcher.stop()
        server.shutdown()
        thread.join()
        server.server_close()


def ask(server: PageServer, path: str, **headers: str) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    with contextlib.closing(connection):
        connection.putrequest("GET", path, skip_host="Host" in headers)
        for name, value in headers.items():
            connection.putheader(name.replace("_", "-"), value)
        connection.endheaders()
        answer = connection.getresponse()
        return answer.status, answer.read()


def test_a_folder_is_followed_row_by_row(writer: RunWriter):
    reader = FolderReader(writer.folder)
    assert not reader.look() or reader.scans == 0
    log(writer, 0, 5)
    assert reader.look()
    log(writer, 5, 8)
    reader.look()
    assert reader.t_s.tolist() == list(range(8))
    assert reader.temperature_degC[7, 0] == readings(7)["tab_degC"]
    assert not reader.look()


def test_half_a_row_waits_for_its_other_half(writer: RunWriter):
    log(writer, 0, 2)
    reader = FolderReader(writer.folder)
    file = writer.folder / "readings.csv"
    with file.open("ab") as stream:
        stream.write(b"2.0,23.0,2")
    reader.look()
    assert reader.scans == 2
    with file.open("ab") as stream:
        stream.write(b"3.0,23.0,0.0\n")
    reader.look()
    assert reader.temperature_degC[2].tolist() == [23.0, 23.0, 23.0]


def test_a_broken_row_is_counted_and_left_out(writer: RunWriter):
    log(writer, 0, 2)
    with (writer.folder / "readings.csv").open("ab") as stream:
        stream.write(b"2.0,nonsense,23.0,23.0,0.0\n3.0,1\n4.0,,23.0,23.0,0.0\n")
    reader = FolderReader(writer.folder)
    reader.look()
    assert (reader.scans, reader.bad_rows) == (3, 2)
    assert np.isnan(reader.temperature_degC[2, 0])


def test_a_record_that_was_replaced_is_read_anew(writer: RunWriter):
    log(writer, 0, 30)
    reader = FolderReader(writer.folder)
    reader.look()
    fresh = writer.folder / "fresh"
    fresh.write_text("t_s,bar_degC,power_W\n0.0,20.0,0.0\n")
    fresh.replace(writer.folder / "readings.csv")
    assert reader.look()
    assert (reader.nodes, reader.scans) == (("bar",), 1)


def test_a_missing_folder_is_refused(tmp_path: Path):
    with pytest.raises(RecordError, match="no such run folder"):
        FolderReader(tmp_path / "nowhere")


def test_an_empty_folder_is_said_to_have_no_run(tmp_path: Path):
    with pytest.raises(RecordError, match="has no run in it; name the folder that log prints"):
        FolderReader(tmp_path).expect_a_run(within_s=0.1)


def test_the_folder_of_all_runs_is_answered_with_the_newest(writer: RunWriter):
    with pytest.raises(RecordError, match=f"did you mean {writer.folder}"):
        FolderReader(writer.folder.parent).expect_a_run(within_s=0.1)


def test_a_run_that_has_just_begun_is_waited_for(tmp_path: Path):
    def begin() -> None:
        time.sleep(0.2)
        (tmp_path / "readings.csv").write_text("t_s,bar_degC,power_W\n")

    thread = threading.Thread(target=begin)
    thread.start()
    FolderReader(tmp_path).expect_a_run(within_s=5.0)
    thread.join()


TWO_ON = [Event(20, "power_on", {"source": source}) for source in ("lamp", "fan")]


@pytest.mark.parametrize(
    ("events", "t_s", "power", "name", "left_s"),
    [
        ([], None, 0.0, "waiting", None),
        ([], 5.0, 0.0, "soak", 15.0),
        ([Event(20, "power_on")], 120.0, 4.2, "heat", 500.0),
        ([Event(20, "power_on"), Event(620, "power_off")], 630.0, 0.0, "cool", 50.0),
        ([Event(20, "power_on"), Event(30, "stop")], 30.0, 0.0, "ended", None),
        (TWO_ON, 120.0, 5.2, "heat", 500.0),
        ([*TWO_ON, Event(320, "power_off", {"source": "fan"})], 330.0, 3.0, "heat", 290.0),
        (
            [
                *TWO_ON,
                Event(320, "power_off", {"source": "fan"}),
                Event(620, "power_off", {"source": "lamp"}),
            ],
            630.0,
            0.0,
            "cool",
            50.0,
        ),
    ],
)
def test_the_phase_and_the_time_left(events, t_s, power, name, left_s):
    now = phase(t_s, power, 4.2, events, RIG["sequence"], silent_s=0.0)
    assert (now.name, now.left_s) == (name, left_s)


def test_a_logger_that_fell_silent_is_noticed():
    now = phase(50.0, 4.2, 4.2, [Event(20, "power_on")], RIG["sequence"], silent_s=60.0)
    assert now.name == "silent"


@pytest.mark.parametrize(
    ("now", "state"), [(50.0, "ok"), (100.0, "near"), (111.0, "over"), (None, "unknown")]
)
def test_the_guard_says_how_near_its_limit_is(now, state):
    assert GuardLine("tab", now, 110.0, "°C").state == state


def test_events_are_told_in_words():
    text = "tab is at 111.0 degC, over its limit of 110"
    event = Event(3.0, "guard", {"rule": "temperature", "text": text, "utc": "2026-01-02"})
    assert describe(event) == f"guard: {text}"
    assert describe(Event(3.0, "power_on", {"utc": "2026-01-02"})) == "power on"


def test_how_a_run_ended_stands_in_small_print():
    details = {"reason": "finished", "text": "heated for 600 s", "exit_status": 0, "scans": 681}
    now = phase(680.0, 0.0, 4.2, [Event(680, "stop", details)], {}, silent_s=0.0)
    assert (now.text, now.note) == ("The run has ended", "heated for 600 s")


def test_spans_settle_and_their_intervals_shrink(writer: RunWriter):
    log(writer, 0, 600)
    reader = FolderReader(writer.folder)
    reader.look()
    settling = Settling(reader.nodes, None, longer_by=2.5)
    estimates = list(settling.take(reader.t_s, reader.temperature_degC, reader.power))
    inner = [one.spans[0] for one in estimates]
    assert len(inner) >= 3
    assert inner[-1].R_K_per_W == pytest.approx(20 / 4.2, rel=0.02)
    assert inner[-1].u_K_per_W < inner[0].u_K_per_W
    assert not estimates[0].spans[1].settled


def judged(measured: Spans) -> Estimate:
    return judged_of(600.0, measured, hold(measured, prediction()))


def test_nothing_is_said_twice_of_the_lead_cause(writer: RunWriter):
    estimate = judged(spans({"pad": 1.8}))
    told = page_state(FolderReader(writer.folder), [estimate], judged=True)["decision"]
    assert told["headline"] == "Poor contact at the pad"
    assert told["text"].startswith("1.080 ± 0.031 K/W measured")
    assert "ontact at" not in told["text"]


def test_a_span_that_the_record_does_not_resolve_has_no_value_and_no_history(writer: RunWriter):
    estimate = judged(short_record())
    shown = page_state(FolderReader(writer.folder), [estimate], judged=True)["spans"]
    assert [span["resolved"] for span in shown] == [True, True, True, False]
    assert [len(span["history"]["t_s"]) for span in shown][-1] == 0


def test_the_state_stays_small_at_any_length_and_keeps_a_spike(writer: RunWriter):
    log(writer, 0, 40)
    reader = FolderReader(writer.folder)
    reader.look()
    assert len(to_json(page_state(reader, [], judged=False))) < 20_000
    t = np.arange(1e5)
    temperature = np.full((100_000, 3), 23.0)
    temperature[77_777, 1] = 99.0
    curves = thin(t, temperature, np.zeros(100_000))
    assert max(curves["high"][1]) == 99.0
    assert len(to_json(curves)) < 60_000


def test_a_foreign_host_or_origin_is_refused(writer: RunWriter):
    with serving(writer.folder) as server:
        own = f"127.0.0.1:{server.server_port}"
        assert ask(server, "/")[0] == 200
        assert ask(server, "/", Origin=f"http://{own}")[0] == 200
        assert ask(server, "/", Host="rebound.example")[0] == 403
        assert ask(server, "/", Host=f"rebound.example:{server.server_port}")[0] == 403
        assert ask(server, "/state", Origin="http://rebound.example")[0] == 403
        assert ask(server, "/events", Origin="null")[0] == 403
        assert ask(server, "/state", Sec_Fetch_Site="cross-site")[0] == 403


@pytest.mark.parametrize(
    "path",
    ["/../run.json", "/run.json", "/readings.csv", "//etc/passwd", "/%2e%2e/%2e%2e/etc/passwd",
     "/page.js/../../folder.py", "/..\\..\\secret", "/page.html", "/?/../state"],
)  # fmt: skip
def test_no_file_can_be_asked_for(writer: RunWriter, path: str):
    with serving(writer.folder) as server:
        assert ask(server, path)[0] == 404


def test_only_reading_is_offered(writer: RunWriter):
    with serving(writer.folder) as server:
        connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
        with contextlib.closing(connection):
            connection.request("POST", "/state", b"{}")
            assert connection.getresponse().status == 501


def test_it_listens_on_the_loopback_alone(writer: RunWriter):
    with serving(writer.folder) as server:
        assert server.server_address[0] == "127.0.0.1"


def test_nothing_is_written_to_the_run_folder(writer: RunWriter):
    log(writer, 0, 60)
    before = {path.name: path.read_bytes() for path in writer.folder.iterdir()}
    with serving(writer.folder) as server:
        wait_until(lambda: json.loads(ask(server, "/state")[1]).get("spans"), "estimates")
    assert {path.name: path.read_bytes() for path in writer.folder.iterdir()} == before


@pytest.mark.skipif(os.name == "nt", reason="signals as on POSIX")
def test_a_signal_ends_it_and_a_taken_port_is_one_line(writer: RunWriter):
    script = "import typer; from bench.commands.watch import command; typer.run(command)"
    words = [sys.executable, "-c", script, str(writer.folder)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        address = process.stdout.readline().split()[0]
        assert address.startswith("http://127.0.0.1:")
        again = [*words, "--port", address.strip("/").rpartition(":")[2]]
        refused = subprocess.run(again, capture_output=True, text=True, check=False)
        assert refused.returncode != 0
        assert "PortError: --port" in refused.stderr
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0


@pytest.mark.slow
def test_the_page_follows_a_run_in_a_browser(writer: RunWriter, tmp_path: Path):
    log(writer, 0, 120)
    with browser(tmp_path / "profile") as tab, serving(writer.folder) as server:
        tab.open("about:blank")
        tab.requested()
        tab.open(server.url)
        scans = "return Number(document.body.dataset.scans || 0)"
        wait_until(lambda: tab.run(scans) == 120, "the first state")
        log(writer, 120, 150)
        wait_until(lambda: tab.run(scans) == 150, "the page to follow")
        wait_until(
            lambda: tab.run("return document.querySelectorAll('.card').length") == 2, "spans"
        )
        air = tab.run("return document.querySelectorAll('.card')[1].innerText")
        assert "case – ambient: not resolved yet" in air
        assert "K/W" not in air.splitlines()[0]
        assert "±" not in air
        assert tab.run("return document.getElementById('label').textContent") == LABEL
        assert tab.run("return document.querySelectorAll('img').length") == 0
        tab.open(server.url)
        wait_until(lambda: tab.run(scans) == 150, "the page after a reload")
        tab.press("\ue004\ue004")
        assert tab.run("return document.activeElement.id") == "pause"
        tab.press(" ")
        log(writer, 150, 160)
        writer.append_event(159.0, "stop", status="finished")
        state = "return document.getElementById('phase').textContent"
        assert "ended" not in tab.run(state)
        tab.press(" ")
        wait_until(lambda: "ended" in tab.run(state), "the end to be shown")
        link = "return document.getElementById('link').textContent"
        assert tab.run(link) == "nothing more to follow"
        for width in (1280, 400):
            tab.resize(width, 800)
            assert tab.run("return document.documentElement.scrollWidth") <= width
        assert tab.complaints() == []
        foreign = [one for one in tab.requested() if one.startswith(("http", "ws", "ftp"))]
        assert all(one.startswith(server.url) for one in foreign)
        assert foreign


@pytest.mark.slow
@pytest.mark.skipif(not HAS_PTY, reason="this system has no pty")
def test_watch_beside_log_as_two_programs(tmp_path: Path):
    run = tmp_path / "run"
    with OtherProcess(tmp_path) as bench, browser(tmp_path / "profile") as tab:
        bench.log(run, sequence={"heat_s": 60.0})
        bench.wait_for(run, "power_on")
        words = [*HEATRUN, "watch", str(run)]
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as page:
            assert page.stdout is not None
            tab.open(page.stdout.readline().split()[0])
            scans = "return Number(document.body.dataset.scans || 0)"
            seen = wait_until(lambda: tab.run(scans), "the first state")
            wait_until(lambda: tab.run(scans) > seen, "the page to follow")
            text = "return document.getElementById('phase').textContent"
            assert tab.run(text).startswith("Heating")
            bench.send(signal.SIGINT)
            wait_until(lambda: "ended" in tab.run(text), "the end to be shown")
            assert tab.complaints() == []
            page.send_signal(signal.SIGINT)
            assert page.wait(30) == 0
        status, out, _ = bench.finish()
    assert (status, out) == (0, f"{run}\n")
    assert len(read_run(run).t_s) > seen
