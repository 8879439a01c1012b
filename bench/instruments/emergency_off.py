"""What switches an instrument off, as plain bytes: for the watchdog, which knows no protocol."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

OFF_ANSWERS = ("0", "OFF", "+0", "FALSE")
REST_S = 0.05  # after a command that nothing answers [s]


@dataclass(frozen=True)
class OffStep:
    """One thing to send, and what comes back when it is done."""

    send: bytes
    within_s: float  # how long an answer may take; without answers, the rest before the next [s]
    answers: tuple[bytes, ...] = ()  # any of them confirms the step
    text: bool = False  # an answer is a whole line, of any capitals; else bytes that come
    every_other: bool = False  # sent in every other round only


def text_off_steps(
    commands: Sequence[str],
    query: str | None,
    *,
    terminator: str,
    reply_s: float,
    rest_s: float = REST_S,
) -> tuple[OffStep, ...]:
    r"""Commands as lines, then the query that reads the switch back.

    Args:
        commands: switch the power off, in this order.
        query: answered with 0 or OFF where it is off; None where nothing reads it back.
        terminator: ends a line.
        reply_s: how long the query's answer may take [s].
        rest_s: after each command [s].

    >>> [step.send for step in text_off_steps(["OUTP OFF"], "OUTP?", terminator="\n", reply_s=1.0)]
    [b'\n', b'OUTP OFF\n', b'OUTP?\n']
    """
    # The end of a line alone ends what the logger left half sent when it died; where an empty line
    # puts a supply out of step, the next round goes without.
    lead = OffStep(terminator.encode(), rest_s, text=True, every_other=True)
    lines = [(command + terminator).encode() for command in commands]
    steps = (lead, *(OffStep(line, rest_s, text=True) for line in lines))
    if not query:
        return steps
    answers = tuple(answer.encode() for answer in OFF_ANSWERS)
    return (*steps, OffStep((query + terminator).encode(), reply_s, answers, text=True))
