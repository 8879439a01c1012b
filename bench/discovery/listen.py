"""Listen to a port nothing is known of: at which speed is what it sends legible?"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from bench.discovery.guess_format import legible
from bench.instruments.settings import InstrumentSettings
from bench.instruments.transport import Transport
from fit.errors import InstrumentLost, PortError

IDENTITY = "*IDN?"
LEGIBLE = 0.95
ENOUGH_LINES = 20
FEW_LINES = 3  # tell that a speed is the right one


@dataclass(frozen=True)
class Heard:
    """What came, and how."""

    baud: int
    lines: tuple[str, ...]
    identity: str | None  # answer to *IDN?, from a port silent otherwise
    tried: tuple[int, ...]


def listen(port: str, speeds: Sequence[int], seconds: float, query: str | None = None) -> Heard:
    """Listen at each speed in turn until one is legible.

    Args:
        port: device or pyserial URL.
        speeds: in the order to try [baud].
        seconds: how long at each [s]; less when enough lines have come.
        query: sent again and again, for an instrument that must be asked.

    Raises:
        PortError: the port cannot be opened, or went away.
    """
    if port.startswith("socket:"):
        speeds = speeds[:1]
    settings = InstrumentSettings(name=port, driver="line", port=port, baud=speeds[0])
    transport = Transport(settings, streaming=query is None)
    transport.open()
    try:
        for baud in speeds:
            transport.set_speed(baud)
            # Whoever asks for the name wants the instrument, not its name read as a number.
            lines = () if query == IDENTITY else _lines(transport, seconds, query)
            if lines:
                return Heard(baud, lines, None, tuple(speeds))
            answer = transport.ask(IDENTITY, min(1.0, seconds))
            # A line that comes back as it was sent is an echo, and nobody's name.
            if answer and answer.strip() != IDENTITY and legible(answer.encode()) >= LEGIBLE:
                return Heard(baud, (), answer.strip(), tuple(speeds))
    except InstrumentLost as error:
        raise PortError(str(error)) from None
    finally:
        transport.close()
    return Heard(speeds[-1], (), None, tuple(speeds))


def _lines(transport: Transport, seconds: float, query: str | None) -> tuple[str, ...]:
    """Legible lines that came in time; none when most of them are not legible."""
    lines: list[str] = []
    deadline = time.monotonic() + seconds
    while (left := deadline - time.monotonic()) > 0 and len(lines) < ENOUGH_LINES:
        line = transport.ask(query, min(left, 1.0)) if query else transport.read_line(left)
        if line is not None:
            lines.append(line)
        if len(lines) >= FEW_LINES and not _mostly_legible(lines):
            break
    return tuple(lines) if lines and _mostly_legible(lines) else ()


def _mostly_legible(lines: Sequence[str]) -> bool:
    # Bytes that are no text have become U+FFFD; two or more bytes each in UTF-8, all above 127.
    return legible("\n".join(lines).encode()) >= LEGIBLE
