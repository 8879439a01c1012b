"""Instruments that speak Modbus: registers of one or several slaves on one line or network port.

RTU on a serial line; a port `tcp://HOST:502` is Modbus TCP, and `socket://HOST:PORT` a converter
that passes RTU frames on. The framing is pymodbus's; a serial port is opened here as every other.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from itertools import groupby
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, Strict

from bench.clock import Clock
from bench.instruments.base import BadLines, Reading
from bench.instruments.emergency_off import OffStep
from bench.instruments.modbus_write import LAST, NO_SLAVE, is_slave, parse_write, write_frame
from bench.instruments.settings import Block, InstrumentSettings, Number, Scale, Switch, Text
from bench.instruments.transport import LOST, open_port
from fit.errors import InstrumentLost, InstrumentRefused, PortError

MOST_REGISTERS = 125  # in one request, Modbus application protocol V1.1b3, 6.3
NO_ANSWERS_TO_LOST = 5
WORDS = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
Address = Annotated[int, Strict(), Field(ge=0, le=LAST)]
LIMITS_ELSEWHERE = "limits are for scpi instruments; put the writes first in switch.on"
TCP = "tcp://"
TCP_PORT = 502  # registered for Modbus TCP
Slave = Annotated[int, Strict(), Field(ge=1, le=NO_SLAVE)]


class Register(Block):
    """[[instrument.register]]: where one field is and what its number means."""

    field: Text
    address: Address  # as sent on the wire, from 0
    slave: Slave = 1
    table: Literal["input", "holding"] = "input"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"  # which of two words comes first
    scale: Scale = 1.0  # field = scale * number + offset
    offset: Number = 0.0

    def problem(self, tcp: bool) -> str | None:
        """What is wrong with it, or None."""
        if self.address + WORDS[self.type] > LAST + 1:
            return f"ends after address {LAST}; count from 0"
        if not is_slave(self.slave) or (self.slave == NO_SLAVE and not tcp):
            return f"is of slave {self.slave}; 1 to 247, {NO_SLAVE} on {TCP} only"
        return None


def _writes(switch: Switch | None) -> Switch | None:
    if switch is None:
        return None
    on, off = ([*map(parse_write, commands)] for commands in (switch.on, switch.off))
    if on[-1] == off[-1]:
        raise ValueError("off ends with the write that on ends with; off switches the power off")
    return switch


class Settings(InstrumentSettings):
    """[[instrument]] with driver = "modbus"."""

    register_: tuple[Register, ...] = Field(default=(), alias="register")
    switch: Annotated[Switch | None, AfterValidator(_writes)] = None

    @property
    def address(self) -> tuple[str, int] | None:
        """Host and port of Modbus TCP; None on a serial line. Raises ValueError."""
        if not self.port.startswith(TCP):
            return None
        parts = urlsplit(self.port)
        if not parts.hostname or parts.path.strip("/") or parts.query:
            raise ValueError(self.port)
        return parts.hostname, parts.port or TCP_PORT

    @property
    def byte_port(self) -> str:
        if self.address is None:
            return self.port
        host, number = self.address
        return f"socket://[{host}]:{number}" if ":" in host else f"socket://{host}:{number}"

    def field_names(self) -> frozenset[str] | None:
        return frozenset(register.field for register in self.register_)

    def problem(self) -> str | None:
        try:
            tcp = self.address is not None
        except ValueError:
            return f"port {self.port} is no address; write {TCP}HOST:{TCP_PORT}"
        if len(self.field_names() or ()) < len(self.register_):
            return "two registers have the same field; give each its own"
        for register in self.register_:
            if wrong := register.problem(tcp):
                return f"register '{register.field}' {wrong}"
        if not self.register_ and self.switch is None:
            return "has nothing to do; give it [[instrument.register]] blocks"
        if self.switch is not None and self.switch.state:
            return "switch.state means nothing to Modbus: what is written is read back anyway"
        return LIMITS_ELSEWHERE if self.limits else None


@dataclass(frozen=True)
class Request:
    """Neighbouring registers of one slave, read in one go."""

    slave: int
    table: str
    address: int
    count: int
    registers: tuple[Register, ...]


def requests(registers: tuple[Register, ...]) -> list[Request]:
    """As few requests as read all the registers without reading a register nobody named."""
    found: list[Request] = []
    ordered = sorted(registers, key=lambda r: (r.slave, r.table, r.address))
    for (slave, table), same in groupby(ordered, key=lambda r: (r.slave, r.table)):
        run: list[Register] = []
        end = -1
        for register in same:
            stop = register.address + WORDS[register.type]
            if run and (register.address > end or stop - run[0].address > MOST_REGISTERS):
                found.append(_request(slave, table, run, end))
                run = []
            end = stop if not run else max(end, stop)
            run.append(register)
        found.append(_request(slave, table, run, end))
    return found


def _request(slave: int, table: str, run: list[Register], end: int) -> Request:
    return Request(slave, table, run[0].address, end - run[0].address, tuple(run))


def _tidy(value: float) -> float:
    """Without what a scale leaves in the last digits.

    >>> 232 * 0.1, _tidy(232 * 0.1)
    (23.200000000000003, 23.2)
    """
    return float(f"{value:.12g}")


class Instrument:
    """Driver for Modbus."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        # Its own complaints would land in the middle of the live view; ours come as exceptions.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
        self.settings = settings
        self._clock = clock
        self._requests = requests(settings.register_)
        self._client: Any = None
        self._bad_lines = BadLines()
        self._silent = 0

    @staticmethod
    def off_steps(settings: Settings) -> tuple[OffStep, ...]:
        """Each write of `off` as a frame, which the slave confirms by sending it back."""
        assert settings.switch is not None
        tcp = settings.address is not None
        frames = [write_frame(parse_write(command), tcp) for command in settings.switch.off]
        return tuple(OffStep(frame, settings.reply_s, (frame,)) for frame in frames)

    def open(self) -> None:
        """Open the port and read once.

        Raises:
            PortError: no such port, taken, not permitted.
            InstrumentLost: nobody answers.
        """
        self._open_port()
        self._silent = 0
        if self._requests and not any(self._words(request) for request in self._requests):
            self.close()
            why = "; ".join(self.take_bad_lines()) or f"check baud = {self.settings.baud} and slave"
            raise InstrumentLost(
                f"{self.settings.name}: no answer on port {self.settings.port} "
                f"within {self.settings.reply_s:g} s; {why}"
            )

    def read(self) -> Reading | None:
        """Every register once; None when a slave did not answer or complained.

        Raises:
            InstrumentLost: the port is gone, or several readings in a row were not answered.
        """
        values: dict[str, float] = {}
        for request in self._requests:
            words = self._words(request)
            if words is None:
                self._no_answer()
                return None
            for register in request.registers:
                start = register.address - request.address
                number = self._number(words[start : start + WORDS[register.type]], register)
                values[register.field] = _tidy(register.scale * number + register.offset)
        self._silent = 0
        return Reading(self._clock.now_s(), values)

    def switch(self, on: bool) -> None:
        """Write the switch's coils or registers and read each back; opens the port if need be.

        Raises:
            InstrumentLost: the port is gone or a write was not answered.
            InstrumentRefused: an exception answer, or what is read back is not what was written.
        """
        switch = self.settings.switch
        if switch is None:
            raise InstrumentRefused(f"{self.settings.name}: has no [instrument.switch]")
        if self._client is None:
            self._open_port()
        failed: InstrumentRefused | InstrumentLost | None = None
        for command in switch.on if on else switch.off:
            try:
                self._write(command)
            except (InstrumentRefused, InstrumentLost) as error:
                # Off is tried to the end, whatever one write comes to.
                failed = failed or error
                if on or self._client is None:
                    break
        if failed:
            raise failed

    def take_bad_lines(self) -> list[str]:
        return self._bad_lines.take()

    def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def _open_port(self) -> None:
        self.close()
        self._client = self._connected() if self.settings.address else self._on_the_line()

    def _on_the_line(self) -> Any:
        from pymodbus.client import ModbusSerialClient

        port = open_port(self.settings)
        client: Any = ModbusSerialClient(
            self.settings.port,
            baudrate=self.settings.baud,
            timeout=self.settings.reply_s,
            retries=0,
        )
        client.socket = port
        return client

    def _connected(self) -> Any:
        from pymodbus.client import ModbusTcpClient

        assert self.settings.address is not None
        host, number = self.settings.address
        client = ModbusTcpClient(host, port=number, timeout=self.settings.reply_s, retries=0)
        if not client.connect():
            raise PortError(
                f"{self.settings.name}: port {self.settings.port} cannot be opened: nobody answers "
                f"at {host}, port {number}; check address and cable"
            )
        return client

    def _call(self, what: str, *arguments: Any, **options: Any) -> Any:
        """One request; its answer, or None when there was none in time."""
        from pymodbus.exceptions import ConnectionException, ModbusException

        gone: tuple[type[BaseException], ...] = (ConnectionException, *LOST)
        if self._client is None:
            raise InstrumentLost(f"{self.settings.name}: port {self.settings.port} is not open")
        try:
            return getattr(self._client, what)(*arguments, **options)
        except gone as error:
            self.close()
            raise InstrumentLost(
                f"{self.settings.name}: lost on port {self.settings.port} ({error})"
            ) from None
        except ModbusException:
            return None

    def _words(self, request: Request) -> list[int] | None:
        answer = self._call(
            f"read_{request.table}_registers",
            request.address,
            count=request.count,
            device_id=request.slave,
        )
        if answer is None:
            return None
        if answer.isError() or len(answer.registers) < request.count:
            self._bad_lines.add(
                f"slave {request.slave} {request.table} {request.address}: "
                f"exception {getattr(answer, 'exception_code', '?')}"
            )
            return None
        return list(answer.registers)

    def _number(self, words: list[int], register: Register) -> float:
        types = self._client.DATATYPE
        kind = getattr(types, register.type.upper())
        return float(self._client.convert_from_registers(words, kind, register.word_order))

    def _write(self, command: str) -> None:
        write = parse_write(command)
        value = bool(write.value) if write.target == "coil" else write.value
        place = {"device_id": write.slave}
        answer = self._call(f"write_{write.target}", write.address, value, **place)
        if answer is None:
            raise InstrumentLost(f"{self.settings.name}: {command}: no answer")
        if answer.isError():
            raise InstrumentRefused(
                f"{self.settings.name}: {command}: exception {answer.exception_code}"
            )
        table = "coils" if write.target == "coil" else "holding_registers"
        back = self._call(f"read_{table}", write.address, count=1, **place)
        if back is None or back.isError():
            raise InstrumentLost(f"{self.settings.name}: {command}: cannot be read back")
        kept = (back.bits if write.target == "coil" else back.registers)[0]
        if kept != value:
            raise InstrumentRefused(f"{self.settings.name}: {command}: reads back {int(kept)}")

    def _no_answer(self) -> None:
        self._silent += 1
        if self._silent >= NO_ANSWERS_TO_LOST:
            self.close()
            raise InstrumentLost(
                f"{self.settings.name}: {self._silent} readings in a row not answered"
            )
