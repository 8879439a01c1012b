"""The virtual bench with its supply as a VISA resource on the network, as a program of its own.

python -m tests.support.lan_bench socket|hislip|vxi11 [options of bench.virtual]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from bench.virtual import __main__ as virtual
from bench.virtual.ports import FarEnd, SocketEnd, far_end
from tests.support.hislip import HislipEnd
from tests.support.vxi11 import Vxi11End


class RawEnd(SocketEnd):
    """A raw socket, under the name that VISA has for it."""

    def __init__(self) -> None:
        super().__init__()
        host, number = self.url.removeprefix("socket://").split(":")
        self.url = f"TCPIP0::{host}::{number}::SOCKET"


ENDS: dict[str, Callable[[], FarEnd]] = {
    "socket": RawEnd,
    "hislip": HislipEnd,
    "vxi11": Vxi11End,
}


def supply_on(bus: str) -> Callable[[str, Path | None], FarEnd]:
    """Makes the supply's port on that bus, every other one as ever."""

    def make_port(name: str, folder: Path | None) -> FarEnd:
        return ENDS[bus]() if name == "supply" else far_end(name, folder)

    return make_port


def main() -> None:
    """Serve it as `python -m bench.virtual` does."""
    virtual.far_end = supply_on(sys.argv[1])  # type: ignore[attr-defined]
    virtual.main(sys.argv[2:])


if __name__ == "__main__":
    main()
