"""Serial ports of this computer: their stable names, who has them open, whether we may."""

from __future__ import annotations

import contextlib
import os
import sys
from dataclasses import dataclass
from pathlib import Path

from bench.instruments.visa import is_resource


@dataclass(frozen=True)
class SerialPort:
    """One serial port as found. Nothing is opened: opening restarts many a board."""

    device: str  # what the system calls it today
    name: str  # what to write in rig.toml: the same after unplugging, where there is such a name
    description: str
    used_by: str | None  # program that has it open, as far as this user can see
    permitted: bool
    group: str | None  # the group that may open it


def serial_ports(dev: Path = Path("/dev"), proc: Path = Path("/proc")) -> list[SerialPort]:
    """Every serial port, in the system's order.

    Args:
        dev: where devices are; their stable names are in serial/by-id below it.
        proc: where Linux lists what each program has open.
    """
    from serial.tools import list_ports

    stable = stable_names(dev)
    users = port_users(proc)
    return [
        SerialPort(
            device=port.device,
            name=stable.get(device(port.device), port.device),
            description=port.description if port.description != "n/a" else "",
            used_by=users.get(device(port.device)),
            permitted=_permitted(port.device),
            group=_group(port.device),
        )
        for port in sorted(list_ports.comports())
    ]


def device(port: str) -> str:
    """What a port's name stands for, the same for two names of one device.

    A by-id link is what it points at; COM3 is com3; of a macOS adapter there is a `tty.` (which
    waits for a carrier) and a `cu.`. A URL stands for itself, and so does a VISA resource.
    """
    if is_resource(port):
        return port.upper()
    if "://" in port:
        return port
    if sys.platform == "win32":
        return port.upper().removeprefix("\\\\.\\")
    real = os.path.realpath(port)
    return real.replace("/dev/tty.", "/dev/cu.") if sys.platform == "darwin" else real


def stable_names(dev: Path = Path("/dev")) -> dict[str, str]:
    """Device to its link in serial/by-id, or in serial/by-path where it has no serial number."""
    names: dict[str, str] = {}
    for folder in ("by-path", "by-id"):
        links = dev / "serial" / folder
        if links.is_dir():
            names.update({os.path.realpath(link): str(link) for link in sorted(links.iterdir())})
    return names


def port_users(proc: Path = Path("/proc")) -> dict[str, str]:
    """Terminal device to `program (process number)` that has it open, for processes we may see."""
    users: dict[str, str] = {}
    if not proc.is_dir():
        return users
    for process in proc.iterdir():
        if not process.name.isdigit() or int(process.name) == os.getpid():
            continue
        with contextlib.suppress(OSError):
            for descriptor in (process / "fd").iterdir():
                with contextlib.suppress(OSError):
                    target = os.readlink(descriptor)
                    if target.startswith("/dev/tty") and target != "/dev/tty":
                        name = (process / "comm").read_text().strip()
                        users[target] = f"{name} ({process.name})"
    return users


def permission_help(port: SerialPort) -> str:
    """What to do about a port this user may not open, in one sentence."""
    if port.group:
        return (
            f"only members of the group '{port.group}' may open {port.device}: "
            f"sudo usermod -aG {port.group} $USER, then log out and in again"
        )
    return f"{port.device} may not be opened by this user; ask whoever keeps this computer"


def _permitted(device: str) -> bool:
    """Whether this user may open it; Windows has no such rights, and looking would open it."""
    if sys.platform == "win32" or not os.path.exists(device):
        return True
    return os.access(device, os.R_OK | os.W_OK)


def _group(device: str) -> str | None:
    try:
        import grp

        name = grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return None
    return None if name == "root" else name
