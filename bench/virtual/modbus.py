"""A virtual Modbus reader: a pymodbus server on a port, several slaves on one line.

Slave 1 gives the first two nodes as int16 in tenths of a degree (input registers 0 and 1) and
switches the supply with its coil 0. Slave 2 gives the other nodes as float32, low word first, from
input register 0 on.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import struct
import threading
from collections.abc import Callable, Mapping
from typing import Any

from bench.virtual.ports import HAS_PTY, PtyPair
from bench.virtual.supply import Supply

FIRST = 2  # nodes at slave 1
READ_INPUT, WRITE_COIL = 4, 5


class ModbusReader:
    """Serves until closed; `url` is what the rig names as its port."""

    def __init__(
        self,
        read: Callable[[], Mapping[str, float]],
        supply: Supply,
        before_change: Callable[[], None] = lambda: None,
        pty: bool = HAS_PTY,
        tcp: bool = False,
    ) -> None:
        """
        Args:
            read: present reading of every node [degC], in the order they are to be served.
            supply: switched by coil 0 of slave 1.
            before_change: called before the supply is switched.
            pty: a pty pair, or else TCP on loopback that carries RTU frames.
            tcp: Modbus TCP on loopback instead of either.
        """
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
        self._read = read
        self._supply = supply
        self._before_change = before_change
        self._pair = PtyPair() if pty and not tcp else None
        self._tcp = tcp
        self.url = self._pair.near if self._pair else ""
        self.dead: set[int] = set()  # slaves that answer with an exception
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._serve, daemon=True, name="virtual modbus")
        self._thread.start()
        if not self._ready.wait(10.0):
            raise RuntimeError("the virtual Modbus reader did not start")

    def close(self) -> None:
        """Stop serving and take the port away."""
        self._loop.call_soon_threadsafe(lambda: self._loop.create_task(self._server.shutdown()))
        self._thread.join(timeout=5.0)
        if self._pair:
            self._pair.close()

    def __enter__(self) -> ModbusReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _serve(self) -> None:
        asyncio.set_event_loop(self._loop)
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._run())
        self._loop.close()

    async def _run(self) -> None:
        from pymodbus import FramerType
        from pymodbus.server import ModbusSerialServer, ModbusTcpServer

        self._server: Any
        if self._pair:
            self._server = ModbusSerialServer(
                self._slaves(), framer=FramerType.RTU, port=self._pair.far, baudrate=115200
            )
        else:
            framer = FramerType.SOCKET if self._tcp else FramerType.RTU
            self._server = ModbusTcpServer(self._slaves(), framer=framer, address=("127.0.0.1", 0))
        await self._server.serve_forever(background=True)
        if not self._pair:
            port = self._server.transport.sockets[0].getsockname()[1]
            self.url = f"{'tcp' if self._tcp else 'socket'}://127.0.0.1:{port}"
        self._ready.set()
        await self._server.serving

    def _slaves(self) -> list[Any]:
        from pymodbus.simulator import DataType, SimData, SimDevice

        def device(slave: int, action: Any) -> SimDevice:
            registers = [SimData(0, count=16, datatype=DataType.REGISTERS)]
            bits = [SimData(0, count=16, datatype=DataType.BITS)]
            blocks = (bits, bits, registers, registers)
            return SimDevice(id=slave, simdata=blocks, action=action)

        return [device(1, self._slave_1), device(2, self._slave_2)]

    async def _slave_1(
        self, function: int, start: int, address: int, count: int, *registers: Any
    ) -> Any:
        from pymodbus.constants import ExcCodes

        now, new = registers
        if 1 in self.dead:
            return ExcCodes.DEVICE_FAILURE
        if function == WRITE_COIL and new is not None:
            self._before_change()
            self._supply.on = bool(new[0])
            self._supply.switched.append(self._supply.on)
        if function == READ_INPUT:
            for i, value in enumerate(list(self._read().values())[:FIRST]):
                now[i - start] = round(10 * value) & 0xFFFF
        return None

    async def _slave_2(
        self, function: int, start: int, address: int, count: int, *registers: Any
    ) -> Any:
        from pymodbus.constants import ExcCodes

        now, _ = registers
        if 2 in self.dead:
            return ExcCodes.DEVICE_FAILURE
        if function == READ_INPUT:
            for i, value in enumerate(list(self._read().values())[FIRST:]):
                high, low = struct.unpack(">HH", struct.pack(">f", value))
                now[2 * i - start], now[2 * i + 1 - start] = low, high
        return None
