"""What is said on standard error of a run that could not be used."""

from __future__ import annotations

import pytest

from fit.output.one_line import LONGEST, say


@pytest.mark.parametrize("message", ["x" * 5000, "two\nlines", "a colour \x1b[31m"])
def test_whatever_a_message_holds_it_is_one_line_that_a_terminal_shows(
    message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    say(message)
    line = capsys.readouterr().err.removesuffix("\n")
    assert len(line) <= LONGEST
    assert line.isprintable()
