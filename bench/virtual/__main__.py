"""The virtual bench as a program of its own: `python -m bench.virtual`.

Prints one JSON line with the ports, then serves until it is interrupted or, where its standard
input is a pipe, until that is closed. For each line that comes through the pipe (anything) it
prints one JSON line with the present state: bench time, supply on or off, true temperatures.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import stat
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib.resources import files
from itertools import count, repeat
from pathlib import Path

from bench.virtual.bench import FastClock, VirtualBench, open_bench
from bench.virtual.ports import FarEnd, SocketEnd, far_end
from bench.virtual.reader import FORMATS
from bench.virtual.scenario import make_unit, read_scenario


def main(arguments: list[str] | None = None) -> None:
    """Serve a virtual bench until told to stop."""
    options = _parser().parse_args(arguments)
    options.socket = options.socket or options.first_port > 0
    scenario = options.prototype or files("heatrun_data") / "charge_controller" / "prototype.toml"
    unit = make_unit(read_scenario(scenario), options.fault, options.seed)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    with (
        open_bench(
            unit,
            FastClock(options.speed),
            make_port=_socket_ends(options.first_port) if options.socket else far_end,
            folder=options.folder,
            write=FORMATS[options.format],
            stream_every_s=options.stream_every,
            step_s=min(0.5, max(0.02, 0.02 * options.speed)),
        ) as bench,
        _modbus(bench, options) as modbus_ports,
    ):
        _say({"ports": {**bench.ports, **modbus_ports}, "load_ohm": unit.load_ohm})
        with suppress(KeyboardInterrupt):
            if not stat.S_ISFIFO(os.fstat(sys.stdin.fileno()).st_mode):
                threading.Event().wait()
            for _ in sys.stdin:
                _say(_state(bench))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m bench.virtual", description=__doc__)
    parser.add_argument("--prototype", type=Path, help="a prototype.toml; the demo's when left out")
    parser.add_argument("--fault", default="none", help="a fault named in prototype.toml")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--speed", type=float, default=1.0, help="bench seconds per second")
    parser.add_argument(
        "--socket", action="store_true", help="socket:// ports, also where ptys are"
    )
    parser.add_argument(
        "--first-port",
        type=int,
        default=0,
        help="number of the first socket:// port, the rest follow",
    )
    parser.add_argument("--folder", type=Path, help="where the links to the ptys are made")
    parser.add_argument("--format", choices=list(FORMATS), default="separated")
    parser.add_argument(
        "--stream-every", type=float, help="seconds between the reader's lines; asked when left out"
    )
    parser.add_argument("--modbus", action="store_true", help="a Modbus RTU reader besides")
    return parser


def _socket_ends(first: int) -> Callable[[str, Path | None], FarEnd]:
    """Makes ports with the numbers from the first on, or with any free ones when it is 0."""
    numbers = count(first) if first else repeat(0)
    return lambda name, folder: SocketEnd(next(numbers))


@contextmanager
def _modbus(bench: VirtualBench, options: argparse.Namespace) -> Iterator[dict[str, str]]:
    if not options.modbus:
        yield {}
        return
    from bench.virtual.modbus import ModbusReader
    from bench.virtual.ports import HAS_PTY

    world = bench.world
    pty = HAS_PTY and not options.socket
    with ModbusReader(world.readings_degC, world.supply, world.catch_up, pty) as reader:
        yield {"modbus": reader.url}


def _state(bench: VirtualBench) -> dict[str, object]:
    supply = bench.world.supply
    true = {node: round(value, 4) for node, value in bench.world.true_degC().items()}
    return {
        "t_s": round(bench.world.t_s, 3),
        "on": supply.on,
        "power_W": round(supply.power_W, 4),
        "switched": supply.switched,
        "true_degC": true,
    }


def _say(document: dict[str, object]) -> None:
    print(json.dumps(document), flush=True)


if __name__ == "__main__":
    main()
