"""The instruments heatrun can talk to. A new one is one module and one line in DRIVERS."""

from __future__ import annotations

import importlib
from types import ModuleType
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from bench.clock import Clock
    from bench.instruments.base import Driver
    from bench.instruments.emergency_off import OffStep
    from bench.instruments.settings import InstrumentSettings

DRIVERS = {
    "line": "bench.instruments.line",
    "scpi": "bench.instruments.scpi",
    "modbus": "bench.instruments.modbus",
    "window": "bench.instruments.window",
}
"""Value of `driver` to the module that holds its `Settings` and its `Instrument`."""


def settings_class(driver: str) -> type[InstrumentSettings]:
    """The model of a driver's block in rig.toml. Raises KeyError for a driver not in DRIVERS."""
    return cast("type[InstrumentSettings]", _module(driver).Settings)


def open_driver(instrument: InstrumentSettings, clock: Clock) -> Driver:
    """The driver for one instrument of the rig; its port is opened by `Driver.open`.

    Args:
        instrument: one entry of `Rig.instrument`.
        clock: stamps the readings.
    """
    return cast("Driver", _module(instrument.driver).Instrument(instrument, clock))


def off_steps(instrument: InstrumentSettings) -> tuple[OffStep, ...]:
    """What the watchdog sends to switch an instrument off; empty where its driver does not say.

    Args:
        instrument: one entry of `Rig.instrument`, with its [instrument.switch].
    """
    driver = _module(instrument.driver).Instrument
    return tuple(driver.off_steps(instrument)) if hasattr(driver, "off_steps") else ()


def _module(driver: str) -> ModuleType:
    return importlib.import_module(DRIVERS[driver])
