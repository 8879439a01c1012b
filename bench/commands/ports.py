"""`heatrun ports`: the serial ports of this computer."""

from __future__ import annotations


def command() -> None:
    """List serial ports: the name to write in rig.toml, what it is, and whether it is in use."""
    from rich.console import Console
    from rich.table import Table

    from bench.ports import permission_help, serial_ports

    ports = serial_ports()
    if not ports:
        print("No serial ports found. Is the adapter plugged in? Its driver loaded?")
        print('A network port needs no listing: port = "socket://HOST:PORT" works as it is.')
        return
    table = Table(box=None, header_style="dim", pad_edge=False)
    for heading in ("port for rig.toml", "device", "what it is", "state"):
        table.add_column(heading, overflow="fold")
    for port in ports:
        state = f"in use by {port.used_by}" if port.used_by else "free"
        table.add_row(
            port.name, port.device, port.description, state if port.permitted else "not permitted"
        )
    Console(highlight=False).print(table)
    for port in ports:
        if not port.permitted:
            print(permission_help(port))
