"""`heatrun --quiet` and `--verbose`: what is said beside the result."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bench.cli import main
from fit.output import verbosity as telling

LOG = "Time,T1,T2\n" + "".join(f"{t},{23 + 0.1 * t},{22 + 0.02 * t}\n" for t in range(20))
IMPORT = ["import", "log.csv", "--time", "Time", "--node", "tab=T1", "--node", "case=T2"]


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("log.csv").write_text(LOG, encoding="utf-8")


def heatrun(*arguments: str) -> object:
    try:
        with pytest.raises(SystemExit) as end:
            main([*arguments])
    finally:
        telling.tell(telling.PLAIN)
    return end.value.code


def test_remarks_go_to_standard_error(capfd: pytest.CaptureFixture[str]) -> None:
    assert heatrun(*IMPORT, "--power", "4.2", "--out", "run") == 0
    out, err = capfd.readouterr()
    assert out == "run\n"
    assert "20 readings" in err


def test_quiet_leaves_the_result_alone(capfd: pytest.CaptureFixture[str]) -> None:
    assert heatrun("--quiet", *IMPORT, "--power", "4.2", "--out", "run") == 0
    assert capfd.readouterr() == ("run\n", "")


def test_quiet_does_not_silence_errors(capfd: pytest.CaptureFixture[str]) -> None:
    assert heatrun("--quiet", "fit", "absent") == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert err.startswith("heatrun: absent")


def test_verbose_says_where_an_error_arose(capfd: pytest.CaptureFixture[str]) -> None:
    assert heatrun("--verbose", "fit", "absent") == 2
    err = capfd.readouterr().err
    assert "Traceback" in err
    assert err.splitlines()[-1].startswith("heatrun: absent")


def test_verbose_says_how_long_it_took(capfd: pytest.CaptureFixture[str]) -> None:
    telling.tell(telling.VERBOSE)
    try:
        with telling.working("fitting"):
            pass
    finally:
        telling.tell(telling.PLAIN)
    assert re.fullmatch(r"fitting: \d+\.\d s\n", capfd.readouterr().err)


def test_both_at_once_are_refused(capfd: pytest.CaptureFixture[str]) -> None:
    assert heatrun("--quiet", "--verbose", "ports") == 2
    assert "one of them" in capfd.readouterr().err


def test_nothing_is_shown_of_the_work_where_no_one_watches(
    capfd: pytest.CaptureFixture[str],
) -> None:
    with telling.working("fitting"):
        pass
    assert capfd.readouterr() == ("", "")
