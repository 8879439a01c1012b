"""SCPI over simulated USB-TMC and GPIB: pyvisa-sim as the backend that the user's settings name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.instruments import settings_class
from bench.safety.watchdog_client import orders
from bench.safety.watchdog_process import switch_off
from fit.errors import InstrumentRefused
from tests.support.virtual_instruments import driver, next_reading

USB, GPIB = "USB0::0x1234::0x5678::SN1::INSTR", "GPIB0::5::INSTR"
# A supply that is always at 12 V, 0.35 A; its output switch is a state that is kept.
SUPPLY = f"""
spec: "1.0"
devices:
  supply:
    eom:
      USB INSTR: {{q: "\\n", r: "\\n"}}
      GPIB INSTR: {{q: "\\n", r: "\\n"}}
    error:
      error_queue:
        - {{q: "SYST:ERR?", default: '0,"No error"', command_error: '-113,"Undefined header"'}}
    dialogues:
      - {{q: "*IDN?", r: "simulated supply"}}
      - {{q: "MEAS:VOLT?", r: "12.000"}}
      - {{q: "MEAS:CURR?", r: "0.350"}}
      - {{q: ""}}
    properties:
      output:
        default: "OFF"
        getter: {{q: "OUTP?", r: "{{}}"}}
        setter: {{q: "OUTP {{}}"}}
        specs: {{valid: ["ON", "OFF"], type: str}}
resources:
  {USB}: {{device: supply}}
  {GPIB}: {{device: supply}}
"""
KEYS: dict[str, Any] = {
    "queries": {"supply_V": "MEAS:VOLT?", "supply_A": "MEAS:CURR?"},
    "switch": {"on": ["OUTP ON"], "off": ["OUTP OFF"]},
}


@pytest.fixture(params=[USB, GPIB], ids=["usb", "gpib"])
def port(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    definition = tmp_path / "supply.yaml"
    definition.write_text(SUPPLY, encoding="utf-8")
    monkeypatch.setenv("PYVISA_LIBRARY", f"{definition}@sim")
    return str(request.param)


def output(port: str) -> str:
    """The output switch as another program reads it."""
    import pyvisa

    other = pyvisa.ResourceManager().open_resource(port)
    other.write_raw(b"OUTP?\n")
    state = bytes(other.read_raw()).decode().strip()
    other.close()
    return state


def test_a_supply_is_read_and_switched(port: str) -> None:
    with driver("scpi", port, **KEYS) as here:
        assert here.identity == "simulated supply"
        assert next_reading(here).values == {"supply_V": 12.0, "supply_A": 0.35}
        here.switch(True)
        assert output(port) == "ON"
        here.switch(False)
    assert output(port) == "OFF"


def test_an_error_in_its_queue_is_told(port: str) -> None:
    wrong = {**KEYS, "switch": {"on": ["OUTPUT:NONE 1"], "off": ["OUTP OFF"]}}
    with driver("scpi", port, **wrong) as here, pytest.raises(InstrumentRefused, match="-113"):
        here.switch(True)


def test_the_watchdog_switches_off_over_it(port: str) -> None:
    settings = settings_class("scpi").model_validate(
        {"name": "made", "driver": "scpi", "port": port, "reply_s": 0.3, **KEYS}
    )
    with driver("scpi", port, **KEYS) as here:
        here.switch(True)
        switch_off(orders(settings))
        assert output(port) == "OFF"
