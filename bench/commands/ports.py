"""`heatrun ports`: the serial ports of this computer."""

from __future__ import annotations


def command() -> None:
    """List serial ports: what each is, its name for rig.toml."""
    from bench.instruments.ports import permission_help, serial_ports

    ports = serial_ports()
    if not ports:
        print("No serial ports found. Is the adapter plugged in? Its driver loaded?")
        print('A network port needs no listing: port = "socket://HOST:PORT" works as it is.')
        return
    print("Write the name at the left as `port` in rig.toml.")
    if any(port.name != port.device for port in ports):
        print("Names under serial/by-id stay the same after unplugging.")
    print()
    for port in ports:
        what = [port.device] if port.device != port.name else []
        state = f"in use by {port.used_by}" if port.used_by else "free, as far as can be seen"
        what += [port.description] if port.description else []
        print(port.name)
        print("    " + ", ".join([*what, state if port.permitted else "not permitted"]))
    for port in ports:
        if not port.permitted:
            print(f"\n{permission_help(port)}")
