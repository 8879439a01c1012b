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
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count, repeat
from pathlib import Path

from bench.virtual.bench import FastClock, VirtualBench, open_bench
from bench.virtual.ports import FarEnd, SocketEnd, far_end
from bench.virtual.reader import FORMATS
from bench.virtual.scenario import read_unit
from bench.virtual.scenarios import SCENARIOS
from fit.errors import HeatrunError


def main(arguments: list[str] | None = None) -> None:
    """Serve a virtual bench until told to stop."""
    parser = _parser()
    options = parser.parse_args(arguments)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        serve(options)
    except KeyboardInterrupt:
        pass
    except HeatrunError as error:
        parser.exit(2, f"{parser.prog}: {error}\n")
    except (OSError, OverflowError) as error:
        parser.exit(2, f"{parser.prog}: a port cannot be made: {error}\n")


def serve(options: argparse.Namespace) -> None:
    """Serve it until standard input ends, where that is a pipe, or for ever.

    Raises:
        InputError: no such prototype or fault.
        OSError, OverflowError: a port cannot be made.
    """
    socket = options.socket or options.first_port > 0
    scenario = options.prototype or SCENARIOS[options.scenario] / "prototype.toml"
    unit = read_unit(scenario, options.fault, options.seed)
    if options.folder is not None:
        options.folder.mkdir(parents=True, exist_ok=True)
    with (
        open_bench(
            unit,
            FastClock(options.speed),
            make_port=_socket_ends(options.first_port) if socket else far_end,
            folder=options.folder,
            write=FORMATS[options.format],
            stream_every_s=options.stream_every,
            step_s=min(0.5, max(0.02, 0.02 * options.speed)),
        ) as bench,
        _modbus(bench, options.modbus, socket) as modbus_ports,
    ):
        load_ohm = unit.feeds[0].load_ohm
        _say({"ports": {**bench.ports, **modbus_ports}, "load_ohm": load_ohm})
        while not _asked_through_a_pipe():
            time.sleep(0.5)  # Windows hears of Ctrl-C only between two sleeps
        for _ in sys.stdin:
            _say(_state(bench))


def _asked_through_a_pipe() -> bool:
    return sys.stdin is not None and stat.S_ISFIFO(os.fstat(sys.stdin.fileno()).st_mode)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m bench.virtual", description=__doc__)
    option = parser.add_argument
    option("--prototype", type=Path, metavar="FILE", help="a prototype.toml; the demo's if none")
    option(
        "--scenario",
        choices=list(SCENARIOS),
        default=next(iter(SCENARIOS)),
        help="which of heatrun's own prototypes",
    )
    option("--fault", default="none", help="a fault named in prototype.toml: none, pad, ...")
    option("--seed", type=_seed, default=1, help="another unit: its own resistances and noise")
    option("--speed", type=_positive, default=1.0, help="bench seconds per second")
    option("--socket", action="store_true", help="socket:// ports, also where ptys are")
    option(
        "--first-port",
        type=_tcp_port,
        default=0,
        metavar="NUMBER",
        help="number of the first socket:// port, the rest follow",
    )
    option("--folder", type=Path, metavar="DIR", help="where the links to the ptys are made")
    option(
        "--format",
        choices=list(FORMATS),
        default="separated",
        help="how the reader writes its lines; separated by commas if not given",
    )
    option(
        "--stream-every",
        type=_positive,
        metavar="SECONDS",
        help="between the reader's lines; it answers READ? if not given",
    )
    option("--modbus", action="store_true", help="a Modbus RTU reader besides")
    return parser


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < 1e6:
        raise argparse.ArgumentTypeError(f"{text} is not over 0 and under a million")
    return value


def _seed(text: str) -> int:
    if (value := int(text)) < 0:
        raise argparse.ArgumentTypeError(f"{text} is negative")
    return value


def _tcp_port(text: str) -> int:
    if not 0 <= (value := int(text)) < 65536:
        raise argparse.ArgumentTypeError(f"{text} is no port; 0 to 65535")
    return value


def _socket_ends(first: int) -> Callable[[str, Path | None], FarEnd]:
    """Makes ports with the numbers from the first on, or with any free ones when it is 0."""
    numbers = count(first) if first else repeat(0)
    return lambda name, folder: SocketEnd(next(numbers))


@contextmanager
def _modbus(bench: VirtualBench, wanted: bool, socket: bool) -> Iterator[dict[str, str]]:
    if not wanted:
        yield {}
        return
    from bench.virtual.modbus import ModbusReader
    from bench.virtual.ports import HAS_PTY

    world = bench.world
    pty = HAS_PTY and not socket
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
        "supplies": {name: one.on for name, one in bench.world.supplies.items()},
    }


def _say(document: dict[str, object]) -> None:
    print(json.dumps(document), flush=True)


if __name__ == "__main__":
    main()
