"""`heatrun ports`, `heatrun listen` and `heatrun new`."""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from serial.tools import list_ports

from bench import cli
from bench.discovery.guess_format import blocks, legible, recognise
from bench.instruments import ports
from bench.instruments.line import Settings, parser
from bench.rig.schema import read_rig, rig_from
from bench.virtual.ports import HAS_PTY
from bench.virtual.reader import FORMATS, LineReader
from bench.virtual.supply import ScpiSupply, Supply
from tests.support.virtual_instruments import MADE, PORTS, served


def heatrun(*words: str) -> int:
    with pytest.raises(SystemExit) as caught:
        cli.main(list(words))
    return int(caught.value.code or 0)


@pytest.fixture
def dev(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A made /dev with one adapter and its stable name."""
    device = tmp_path / "ttyUSB3"
    device.touch()
    by_id = tmp_path / "serial" / "by-id"
    by_id.mkdir(parents=True)
    (by_id / "usb-reader-if00").symlink_to(device)
    found = SimpleNamespace(device=str(device), description="made adapter")
    monkeypatch.setattr(list_ports, "comports", lambda: [found])
    return tmp_path


def test_a_port_is_listed_by_its_stable_name(dev: Path) -> None:
    (port,) = ports.serial_ports(dev, proc=dev / "no proc")
    assert port.name == str(dev / "serial" / "by-id" / "usb-reader-if00")
    assert port.device == str(dev / "ttyUSB3")
    assert port.used_by is None


def test_a_ports_name_is_printed_in_one_piece(dev: Path, capsys: Any) -> None:
    assert heatrun("ports") == 0
    lines = capsys.readouterr().out.splitlines()
    assert str(dev / "ttyUSB3") in lines
    assert any("made adapter" in line for line in lines)


def test_a_program_that_has_a_port_open_is_named(tmp_path: Path) -> None:
    descriptors = tmp_path / "4711" / "fd"
    descriptors.mkdir(parents=True)
    (descriptors / "5").symlink_to("/dev/ttyUSB3")
    (tmp_path / "4711" / "comm").write_text("terminal\n")
    (tmp_path / "not a process").mkdir()
    assert ports.port_users(tmp_path) == {"/dev/ttyUSB3": "terminal (4711)"}


def test_a_port_that_may_not_be_opened_comes_with_what_to_do() -> None:
    port = ports.SerialPort("/dev/ttyUSB3", "x", "", None, permitted=False, group="dialout")
    assert "sudo usermod -aG dialout $USER" in ports.permission_help(port)


def test_no_ports_is_said(monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.setattr(list_ports, "comports", list)
    assert heatrun("ports") == 0
    assert "No serial ports found" in capsys.readouterr().out


@pytest.mark.parametrize("form", list(FORMATS))
def test_the_proposed_blocks_read_the_lines_they_were_made_from(form: str) -> None:
    lines = [FORMATS[form]({n: v + i / 7 for n, v in MADE.items()}) for i in range(5)]
    found = recognise(lines)
    assert found is not None
    text = blocks("reader", "/dev/reader", 115200, found)
    tables = tomllib.loads(text)
    rig = rig_from(
        {"schema": 1, **tables, "power": {"source": "stated", "power_W": 4.2}}, "proposed"
    )
    assert len(rig.nodes) == len(MADE)
    settings = rig.instrument[0]
    assert isinstance(settings, Settings)
    assert parser(settings)(lines[0]) is not None
    assert list(found.values.values()) == pytest.approx(
        [v + 4 / 7 for v in MADE.values()], abs=0.006
    )


@pytest.mark.parametrize("separator", [",", ";", "\t", "|", "  "])
def test_separators_are_found(separator: str) -> None:
    found = recognise([separator.join(("61.25", "42.5", "23.0"))] * 3)
    assert found is not None
    assert list(found.values.values()) == [61.25, 42.5, 23.0]


def test_names_are_taken_from_a_header_line() -> None:
    found = recognise(["Time;Tab;Case back", "1;61.2;37.1", "2;61.3;37.1", "3;61.4;37.1"])
    assert found is not None
    assert found.keys["fields"] == ["_", "tab", "case_back"]
    assert "time" not in [c["node"] for c in tomllib.loads(blocks("a", "b", 1, found))["channel"]]


@pytest.mark.parametrize(
    "line",
    [
        "2026-11-27T{hour:02}:00:01Z,23.5,24.5",
        "27/11/2026 {hour:02}:00:01;23.5;24.5",
        "{hour:02}:00:01.250 23.5 24.5",
        "[{hour:02}:00] T1=23.5 C T2=24.5 C",
        "2026-11-27 {hour:02}:00:01 T1=23.5 C T2=24.5 C",
    ],
)
def test_a_time_of_day_is_passed_over_at_any_hour(line: str) -> None:
    found = recognise([line.format(hour=9)] * 3)
    assert found is not None
    assert list(found.values.values()) == [23.5, 24.5]
    settings = {"name": "a", "driver": "line", "port": "b", **found.keys}
    assert parser(Settings.model_validate(settings))(line.format(hour=17)) == found.values


@pytest.mark.parametrize("line", ["K1:{0} K2:{1}", "1:{0} 2:{1}", "T1:{0},T2:{1}"])
def test_a_channel_before_a_colon_is_no_time_of_day(line: str) -> None:
    found = recognise([line.format(22.56 + n, 21.14 + n) for n in range(4)])
    assert found is not None
    assert list(found.values.values()) == [25.56, 24.14]


@pytest.mark.parametrize("line", ["23,1;24,2", "T1=23,1 C T2=24,2 C"])
def test_a_decimal_comma_is_not_taken_for_two_numbers(line: str) -> None:
    assert recognise([line] * 3) is None


def test_numbers_alike_on_every_line_are_text() -> None:
    lines = [f"Unit 7 chan 1: {value} C chan 2: 23.0 C" for value in (61.25, 61.5, 61.75)]
    found = recognise(lines)
    assert found is not None
    assert list(found.values.values()) == [61.75, 23.0]


@pytest.mark.parametrize("line", ["{n} {t} 23.1", "#{n} T={t} C", "{n};{t}"])
@pytest.mark.parametrize("step", [1, 1000])
def test_a_rising_counter_is_no_channel(line: str, step: int) -> None:
    readings = (61.25, 61.5, 61.4, 61.3)
    found = recognise([line.format(n=9 + step * i, t=t) for i, t in enumerate(readings)])
    assert found is not None
    assert next(iter(found.values.values())) == 61.3


@pytest.mark.parametrize("word", ["OPEN", "OL", "nan", "---"])
def test_an_open_couples_word_is_a_reading_and_never_in_the_pattern(word: str) -> None:
    found = recognise([f"T1={t} C T2={word} C" for t in (61.25, 61.5, 61.75)])
    assert found is not None
    assert word not in found.keys["pattern"]
    assert len(found.values) == 2


@pytest.mark.parametrize("start", ["#K1:{0} K2:{1}", "[{n}] {0} {1}", "K: {n} {0} {1}"])
def test_no_number_is_cut_in_two_beside_an_input_that_is_open(start: str) -> None:
    readings = [(22.56, 22.17), (22.57, 22.23), (22.6, 22.18), (22.61, 22.19)]
    lines = [start.format(*two, n=90 + n) + " OL" for n, two in enumerate(readings)]
    found = recognise(lines)
    assert found is not None
    np.testing.assert_equal(list(found.values.values()), [22.61, 22.19, np.nan])
    assert "leave this channel out" in blocks("reader", "/dev/x", 9600, found)


def test_kelvins_are_recognised() -> None:
    found = recognise(["298.15,330.2"] * 3)
    assert found is not None
    assert 'unit = "K"' in blocks("reader", "/dev/x", 9600, found)


@pytest.mark.parametrize("lines", [[], ["hello"], ["", " "]])
def test_lines_without_numbers_have_no_form(lines: list[str]) -> None:
    assert recognise(lines) is None


def test_a_wrong_speed_is_not_legible() -> None:
    assert legible(b"21.5,22.0\r\n") == 1.0
    assert legible(bytes([0xF8, 0x00, 0x86, 0xFE, 0x9E, 0x31])) < 0.5
    assert legible(b"") == 0.0


@pytest.mark.parametrize("port", PORTS)
def test_listen_shows_lines_and_proposes_blocks(port: Any, capsys: Any) -> None:
    with served(LineReader(lambda: MADE), port, stream_every_s=0.02) as there:
        assert heatrun("listen", there.url, "--seconds", "1") == 0
    out = capsys.readouterr().out
    assert "61.2500,42.5000" in out
    tables = tomllib.loads(out)
    assert tables["instrument"][0]["port"] == there.url
    assert len(tables["channel"]) == 5


def test_listen_asks_when_told_what(capsys: Any) -> None:
    with served(LineReader(lambda: MADE, FORMATS["json"])) as there:
        assert heatrun("listen", there.url, "--query", "READ?", "--baud", "9600") == 0
    tables = tomllib.loads(capsys.readouterr().out)
    assert tables["instrument"][0]["query"] == "READ?"
    assert tables["instrument"][0]["format"] == "json"


def test_listen_recognises_a_silent_supply(capsys: Any) -> None:
    with served(ScpiSupply(Supply(34.3))) as there:
        assert heatrun("listen", there.url, "--seconds", "0.2", "--baud", "9600") == 0
    out = capsys.readouterr().out
    tables = tomllib.loads(out)
    assert tables["instrument"][0]["driver"] == "scpi"
    assert tables["instrument"][0]["switch"]["off"]


def test_a_supply_asked_for_its_name_is_no_reader(capsys: Any) -> None:
    with served(ScpiSupply(Supply(34.3))) as there:
        assert heatrun("listen", there.url, "--query", "*IDN?", "--baud", "9600") == 0
    assert tomllib.loads(capsys.readouterr().out)["instrument"][0]["driver"] == "scpi"


@pytest.mark.skipif(not HAS_PTY, reason="this system has no pty")
def test_listen_finds_the_speed(capsys: Any) -> None:
    import termios

    with served(LineReader(lambda: MADE), stream_every_s=0.01) as there:

        def only_at_9600(data: bytes) -> bytes:
            # A pty carries bytes at any speed, but knows which one was set.
            set_to = termios.tcgetattr(there.port._slave)[4]  # type: ignore[attr-defined]
            return data if set_to == termios.B9600 else bytes(0x80 | b for b in data)

        there.faults.garble = only_at_9600
        assert heatrun("listen", there.url, "--seconds", "0.3") == 0
    assert "# 9600 baud" in capsys.readouterr().out


def test_listen_says_when_nothing_came(capsys: Any) -> None:
    with served(LineReader(lambda: MADE)) as there:
        there.faults.silent = True
        assert heatrun("listen", there.url, "--seconds", "0.1", "--baud", "9600") == 2
    error = capsys.readouterr().err
    assert "nothing legible came at 9600 baud" in error
    assert error.count("\n") == 1


def test_listen_spells_out_what_a_terminal_would_obey(capsys: Any) -> None:
    with served(LineReader(lambda: MADE), stream_every_s=0.02) as there:
        there.faults.garble = lambda data: b"\x1b[2J" + data
        assert heatrun("listen", there.url, "--seconds", "0.5", "--baud", "9600") == 0
    out = capsys.readouterr().out
    assert r"\x1b[2J61.2500" in out
    assert tomllib.loads(out)["instrument"][0]["pattern"].startswith(r"\x1b\[")


def test_an_echo_is_nobodys_name(capsys: Any) -> None:
    assert heatrun("listen", "loop://", "--seconds", "0.2", "--baud", "9600") == 2
    assert "nothing legible came" in capsys.readouterr().err


@pytest.mark.parametrize(
    "port", ["socket://127.0.0.1", "socket://127.0.0.1:99999", "rfc2217://", "rfc2217://a:0"]
)
def test_an_address_without_a_port_number_is_told_how_to_get_one(port: str, capsys: Any) -> None:
    assert heatrun("listen", port) == 2
    assert f"write {port.partition(':')[0]}://HOST:NUMBER, 1 to 65535" in capsys.readouterr().err


def test_listen_on_no_port_is_one_line(capsys: Any) -> None:
    assert heatrun("listen", "/dev/none") == 2
    assert "/dev/none" in capsys.readouterr().err


def test_new_writes_a_budget_and_a_rig_that_pass(tmp_path: Path, capsys: Any) -> None:
    folder = tmp_path / "deep" / "start"
    assert heatrun("new", str(folder)) == 0
    rig = read_rig(folder / "rig.toml")
    budget = tomllib.loads((folder / "budget.toml").read_text(encoding="utf-8"))
    named = {stage[end] for stage in budget["stage"] for end in ("from", "to") if end in stage}
    assert set(rig.nodes) <= named
    assert "heatrun budget" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["budget.toml", "rig.toml"])
def test_new_never_overwrites(tmp_path: Path, capsys: Any, name: str) -> None:
    (tmp_path / name).write_text("mine")
    assert heatrun("new", str(tmp_path)) == 2
    assert "exists and is not overwritten" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_new_where_nothing_can_be_written_is_one_line(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "file").write_text("")
    assert heatrun("new", str(tmp_path / "file" / "start")) == 2
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("platform", "one", "other"),
    [
        ("win32", "COM3", "com3"),
        ("win32", "COM12", "\\\\.\\COM12"),
        ("darwin", "/dev/tty.usbserial-1", "/dev/cu.usbserial-1"),
    ],
)
def test_two_names_of_one_port_are_known_on_every_system(
    monkeypatch: pytest.MonkeyPatch, platform: str, one: str, other: str
) -> None:
    monkeypatch.setattr("sys.platform", platform)
    assert ports.device(one) == ports.device(other)
    assert ports.device("socket://a:1") == "socket://a:1"
