"""What a Modbus instrument is told to write: the words of the rig, and the bytes on the wire."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from fit.toml_file import shown

LAST = 0xFFFF  # address of a coil or register, and value of a register
NO_SLAVE = 255  # what a Modbus TCP device that is no gateway answers to (Messaging on TCP/IP V1.0b)
_WRITE = re.compile(r"(?:slave ([0-9]+) )?(coil|register) ([0-9]{1,5}) = ([0-9]{1,5})")


@dataclass(frozen=True)
class Write:
    """One write of a switch command."""

    slave: int
    target: str  # coil | register
    address: int
    value: int


def parse_write(command: str) -> Write:
    """`slave 3 coil 0 = 1` or `register 7 = 250`. Raises ValueError.

    >>> parse_write("slave 3 coil 0 = 1")
    Write(slave=3, target='coil', address=0, value=1)
    """
    match = _WRITE.fullmatch(" ".join(command.split()))
    if match is None:
        raise ValueError(
            f"{shown(command)} is no write; 'slave 1 coil 0 = 1' or 'register 7 = 250' is"
        )
    slave, target, address, value = match.groups()
    write = Write(int((slave or "1")[:4]), target, int(address), int(value))
    largest = {"coil": 1, "register": LAST}[target]
    if not is_slave(write.slave) or write.address > LAST or write.value > largest:
        raise ValueError(
            f"{shown(command)} cannot be sent; slave 1 to 247, address up to {LAST}, "
            f"a {target} up to {largest}"
        )
    return write


def is_slave(number: int) -> bool:
    """Whether a slave of that number can be meant."""
    return 1 <= number <= 247 or number == NO_SLAVE


def write_frame(write: Write, tcp: bool = False) -> bytes:
    """A write as it goes over a serial line, or over Modbus TCP.

    >>> write_frame(parse_write("slave 3 coil 0 = 0")).hex()
    '030500000000cc28'
    >>> write_frame(parse_write("slave 3 coil 0 = 0"), tcp=True).hex()
    '000000000006030500000000'
    """
    from pymodbus.framer import FramerRTU, FramerSocket
    from pymodbus.pdu import DecodePDU
    from pymodbus.pdu.bit_message import WriteSingleCoilRequest
    from pymodbus.pdu.register_message import WriteSingleRegisterRequest

    place: dict[str, Any] = {"dev_id": write.slave, "address": write.address}
    request: Any = (
        WriteSingleCoilRequest(**place, bits=[bool(write.value)])
        if write.target == "coil"
        else WriteSingleRegisterRequest(**place, registers=[write.value])
    )
    framer = FramerSocket if tcp else FramerRTU
    return bytes(framer(DecodePDU(is_server=False)).buildFrame(request))
