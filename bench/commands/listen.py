"""`heatrun listen PORT`: what a port sends, and the rig blocks that would read it."""

from __future__ import annotations

from typing import Annotated

import typer

SPEEDS = (115200, 9600, 57600, 38400, 19200, 230400, 4800, 2400)


def command(
    port: Annotated[str, typer.Argument(help="Device or pyserial URL, such as socket://host:5000")],
    seconds: Annotated[float, typer.Option(min=0.1, help="How long to listen at a speed.")] = 5.0,
    baud: Annotated[
        int | None, typer.Option(min=1, help="Speed; tried in turn when left out.")
    ] = None,
    query: Annotated[str | None, typer.Option(help="Ask this, for one that must be asked.")] = None,
) -> None:
    """Show what a port sends and propose its blocks for rig.toml.

    Finds the speed and the form of the lines; counters and what never
    changes are no readings. A port that stays silent is asked *IDN?.
    """
    if not port.strip() or not port.isprintable():
        raise typer.BadParameter(
            "is empty or no name; 'heatrun ports' lists names", param_hint="port"
        )
    from bench.discovery.guess_format import blocks, recognise, scpi_block
    from bench.discovery.listen import listen
    from fit.errors import PortError
    from fit.output.one_line import printable

    heard = listen(port, (baud,) if baud else SPEEDS, seconds, query)
    for line in heard.lines[:8]:
        print(f"#   {printable(line)}")
    if heard.identity is not None:
        print(f"# answers *IDN? with '{printable(heard.identity)}' at {heard.baud} baud\n")
        print(scpi_block(port, heard.baud, heard.identity), end="")
        return
    if not heard.lines:
        raise PortError(
            f"{port}: nothing legible came at {', '.join(map(str, heard.tried))} baud; "
            "check the cable and the speed, or give --baud and --query"
        )
    form = recognise(heard.lines)
    if form is None:
        print(f"# no form fits these lines ({heard.baud} baud)")
        print("# a pattern with named groups reads any line: pattern = 'T1=(?P<tab>[-\\d.]+)'")
        return
    print(f"# {heard.baud} baud; {form.matched} of {form.lines} lines match\n")
    print(blocks("reader", port, heard.baud, form, query), end="")
