"""A VISA resource (USB-TMC, GPIB, VXI-11, HiSLIP, raw socket) with as much of a serial port's face
as is used here. pyvisa is the extra `heatrun[visa]`, loaded when a rig names such a resource.

An instrument on these buses is not listened to but asked: reading where no answer is owed is an
error to many. A read therefore goes to the bus only after a question, and waits for its answer.

Where the bus marks the end of a message, an answer not fetched by the next question is discarded by
the instrument (IEEE 488.2, message exchange control; from memory); on a stream it still comes.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Mapping
from typing import Any

MESSAGE_AVAILABLE = 1 << 4  # in the status byte: an answer waits (IEEE 488.2, from memory)
LATE_S = 0.02  # for an answer that has come already; as long as a serial port is waited for
MOST_LATE = 20  # answers; a status byte that never clears must not keep us
NOT_INSTALLED = (
    "is a VISA resource, and pyvisa is not installed: pip install 'heatrun[visa]'; "
    "an instrument on the network often does without: socket://HOST:5025"
)


def is_resource(port: str) -> bool:
    """Whether a port is named as VISA names resources.

    >>> is_resource("TCPIP0::192.168.1.5::5025::SOCKET"), is_resource("socket://[::1]:5025")
    (True, False)
    """
    return "::" in port and "://" not in port


def load() -> Any:
    """pyvisa's resource manager, of the system's VISA library or of pyvisa-py. Raises OSError."""
    try:
        import pyvisa
    except ImportError:
        raise OSError(NOT_INSTALLED) from None
    try:
        return pyvisa.ResourceManager()
    except (OSError, ValueError, pyvisa.Error) as error:
        raise OSError(f"cannot be opened: no VISA library ({error})") from None


class VisaPort:
    """An open resource."""

    def __init__(
        self, resource: str, line: Mapping[str, Any], reply_s: float, terminator: bytes = b"\n"
    ) -> None:
        r"""Open it.

        Args:
            resource: such as "USB0::0x1234::0x5678::SN1::INSTR".
            line: of an ASRL resource: baudrate, bytesize, parity, stopbits.
            reply_s: how long an answer may take [s].
            terminator: ends an answer; added where the bus itself has told the end.

        Raises:
            OSError: it cannot be opened, or pyvisa is not installed.
        """
        manager = load()
        self._terminator = terminator
        self._reply_s = reply_s
        self._owed = 0
        self._was_late = False
        self.timeout = 0.0  # how long a read waits where no answer is owed [s]
        kind = resource.upper()
        self._is_stream = kind.startswith("ASRL") or kind.endswith("::SOCKET")
        self._resource: Any = None
        try:
            self._resource = manager.open_resource(resource, open_timeout=_ms(reply_s))
            self._resource.timeout = _ms(reply_s)
            if kind.startswith("ASRL"):
                _set_line(self._resource, line)
            if self._is_stream:
                self._resource.read_termination = terminator.decode()
        except Exception as error:  # pyvisa-py lets out plain ones
            self.close()  # a session left open would keep the next one out
            raise OSError(f"cannot be opened: {_in_one_line(error)}") from None

    @property
    def in_waiting(self) -> int:
        return 0

    def write(self, data: bytes) -> None:
        """Send; a question mark makes an answer owed. Raises OSError."""
        asks = b"?" in data
        with self._as_os_error():
            # Before questions only: an order to switch off waits for nothing.
            if asks and self._was_late:
                self._drop_late()
            self._resource.write_raw(data)
        self._owed += asks

    def read(self, _size: int = 1) -> bytes:
        """The whole answer owed, or nothing where none came in time. Raises OSError."""
        if not self._owed:
            time.sleep(self.timeout)
            return b""
        with self._as_os_error():
            data = self._fetch()
        if data is None:
            self._was_late = True
            return b""
        self._owed -= 1
        return data if data.endswith(self._terminator) else data + self._terminator

    def _fetch(self) -> bytes | None:
        import pyvisa

        try:
            return bytes(self._resource.read_raw())
        except pyvisa.VisaIOError as error:
            if error.error_code != pyvisa.constants.StatusCode.error_timeout:
                raise
            return None

    def _drop_late(self) -> None:
        """Fetch answers that came too late: they would be taken for that to the next question."""
        if self._is_stream:
            self._resource.timeout = _ms(LATE_S)
            while self._owed and self._fetch() is not None:
                self._owed -= 1
            self._resource.timeout = _ms(self._reply_s)
            return
        for _ in range(MOST_LATE):
            try:
                waits = self._resource.read_stb() & MESSAGE_AVAILABLE
            except Exception:  # not on every bus and backend: what is owed stays owed
                return
            if not waits or self._fetch() is None:
                break
        self._owed = 0

    def flush(self) -> None:
        pass

    def close(self) -> None:
        """Close the session, never raises."""
        with contextlib.suppress(Exception):
            self._resource.close()

    @contextlib.contextmanager
    def _as_os_error(self) -> Any:
        try:
            yield
        except OSError:
            raise
        except Exception as error:  # pyvisa's own, pyusb's, and what pyvisa-py lets through
            raise OSError(_in_one_line(error)) from None


def _ms(seconds: float) -> int:
    return max(1, round(1000 * seconds))


def _in_one_line(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _set_line(resource: Any, line: Mapping[str, Any]) -> None:
    from pyvisa.constants import Parity, StopBits

    resource.baud_rate = line["baudrate"]
    resource.data_bits = line["bytesize"]
    resource.parity = {"N": Parity.none, "E": Parity.even, "O": Parity.odd}[line["parity"]]
    resource.stop_bits = {1: StopBits.one, 2: StopBits.two}[line["stopbits"]]
