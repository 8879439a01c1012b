"""Malformed rigs: each kind gets one line with file and place."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from bench.rig.schema import rig_from
from fit.errors import RigError
from tests.support.good_rig import MODBUS, good

Change = Callable[[dict[str, Any]], Any]

BAD: dict[str, tuple[Change, str]] = {
    "unknown driver": (
        lambda t: t["instrument"][0].update(driver="usb"),
        "instrument 1 ('reader'): driver: unknown driver 'usb'; one of line, scpi, modbus",
    ),
    "no driver": (lambda t: t["instrument"][0].pop("driver"), "driver: is missing"),
    "no instrument": (lambda t: t.pop("instrument"), "instrument: is missing"),
    "instrument not a list": (lambda t: t.update(instrument={"name": "a"}), "[[instrument]]"),
    "misspelt key": (lambda t: t["instrument"][0].update(buad=1), "did you mean 'baud'?"),
    "misspelt key in switch": (
        lambda t: t["instrument"][1]["switch"].update(of=["x"]),
        "instrument 2 ('supply'): switch: of: unknown key; did you mean 'off'?",
    ),
    "text in a number": (
        lambda t: t["instrument"][0].update(baud="fast"),
        "instrument 1 ('reader'): baud: 'fast' will not do",
    ),
    "number too small": (lambda t: t["sequence"].update(heat_s=0), "greater than 0"),
    "number not finite": (
        lambda t: t["sequence"].update(isothermal_K=float("nan")),
        "finite number",
    ),
    "a limit that guards nothing": (
        lambda t: t["guard"]["max_degC"].update(tab=5000),
        "guard: max_degC: tab: 5000 will not do; input should be less than or equal to 1000",
    ),
    "a limit that is no number": (
        lambda t: t["guard"]["max_degC"].update(tab=float("nan")),
        "guard: max_degC: tab: nan will not do",
    ),
    "a limit that is true": (
        lambda t: t["guard"]["max_degC"].update(tab=True),
        "true will not do; a number, without quotes",
    ),
    "a rate nothing reaches": (
        lambda t: t["guard"].update(max_K_per_min=1e300),
        "guard: max_K_per_min: 1e+300 will not do",
    ),
    "a power nothing gives": (lambda t: t["guard"].update(max_power_W=1e300), "max_power_W"),
    "a silence of a lifetime": (lambda t: t["guard"].update(silence_s=1e300), "silence_s"),
    "an interval too short to scan": (lambda t: t["sequence"].update(interval_s=1e-9), "0.001"),
    "a soak of years": (lambda t: t["sequence"].update(soak_s=10**30), "soak_s"),
    "a number of hundreds of digits": (lambda t: t["sequence"].update(cool_s=10**400), "cool_s"),
    "a speed of no port": (lambda t: t["instrument"][0].update(baud=10**12), "baud"),
    "an answer of a lifetime": (lambda t: t["instrument"][0].update(reply_s=1e300), "reply_s"),
    "a share over one": (lambda t: t["channel"][0].update(match_u=5), "match_u: 5 will not do"),
    "a power accuracy over one": (lambda t: t["power"].update(u_relative=3), "u_relative"),
    "a driver that is a list": (
        lambda t: t["instrument"][0].update(driver=["line"]),
        "driver: unknown driver a list",
    ),
    "an instrument that is a number": (lambda t: t["instrument"].append(1), "is not a table"),
    "a table that is a list": (lambda t: t.update(sequence=[1]), "write it as a table"),
    "an off command that is empty": (
        lambda t: t["instrument"][1]["switch"].update(off=[""]),
        "switch: off 1: '' will not do; it must not be empty",
    ),
    "an off command that is blank": (
        lambda t: t["instrument"][1]["switch"].update(off=["  "]),
        "not blank",
    ),
    "two commands in one": (
        lambda t: t["instrument"][1]["switch"].update(off=["OUTP OFF\nOUTP ON"]),
        "on one line",
    ),
    "off that ends as on does": (
        lambda t: t["instrument"][1]["switch"].update(off=["OUTP OFF", "OUTP ON"]),
        "ends with 'OUTP ON', as on does",
    ),
    "an instrument called operator": (
        lambda t: t["instrument"][0].update(name="operator"),
        "instrument 1: is named 'operator'",
    ),
    "a port no system names": (lambda t: t["instrument"][0].update(port="/dev/\0"), "port: "),
    "one field on two nodes": (
        lambda t: t["channel"][1].update(field="tab"),
        "channel 2 ('case'): field: 'tab' of 'reader' is already the reading of 'tab'",
    ),
    "one field named twice": (
        lambda t: t["instrument"][0].update(fields=["tab", "tab", "case"]),
        "'tab' is there twice",
    ),
    "a node name without end": (lambda t: t["channel"][1].update(node="a" * 5000), "at most 40"),
    "switch without off": (
        lambda t: t["instrument"][1]["switch"].pop("off"),
        "instrument 2 ('supply'): switch: has no off commands",
    ),
    "switch with empty off": (
        lambda t: t["instrument"][1]["switch"].update(off=[]),
        "has no off commands",
    ),
    "two instruments on one port": (
        lambda t: t["instrument"][1].update(port="/dev/reader"),
        "instrument 2: has the same port as instrument 1: '/dev/reader'",
    ),
    "two instruments of one name": (
        lambda t: t["instrument"][1].update(name="reader"),
        "has the same name as instrument 1",
    ),
    "channel without instrument": (
        lambda t: t["channel"][1].update(instrument="logger"),
        "channel 2 ('case'): instrument: no instrument named 'logger'; one of reader, supply",
    ),
    "channel of an unknown field": (
        lambda t: t["channel"][1].update(field="T9"),
        "channel 2 ('case'): field: instrument 'reader' has no field 'T9'; one of case, tab",
    ),
    "one node twice": (lambda t: t["channel"][1].update(node="tab"), "has two channels"),
    "node name in capitals": (lambda t: t["channel"][1].update(node="Case"), "'Case' will not do"),
    "unknown unit": (
        lambda t: t["channel"][1].update(unit="C"),
        "'degC', 'K', 'degF', 'uV', 'mV', 'V' or 'ohm'",
    ),
    "volts that are no temperature yet": (
        lambda t: t["channel"][1].update(unit="V"),
        "unit: a number in V is no temperature yet; give thermocouple or scale",
    ),
    "a scale for what is a temperature": (
        lambda t: t["channel"][1].update(scale=2.0),
        "scale: means nothing with unit 'degC'; unit one of mV, V, ohm",
    ),
    "an offset without its scale": (
        lambda t: t["channel"][1].update(unit="mV", offset=2.0),
        "offset: means nothing without scale",
    ),
    "a resistance thermometer in volts": (
        lambda t: t["channel"][1].update(unit="V", resistance_thermometer="PT100"),
        "resistance_thermometer: means nothing with unit 'V'; unit one of ohm",
    ),
    "two ways to a temperature": (
        lambda t: t["channel"][1].update(unit="ohm", resistance_thermometer="PT100", scale=1.0),
        "resistance_thermometer and scale both make a temperature of it",
    ),
    "a channel's scale of nothing": (
        lambda t: t["channel"][1].update(unit="ohm", scale=0.0),
        "scale: 0.0 will not do; any number but 0",
    ),
    "a doubt of a lag that nobody states": (
        lambda t: t["channel"][1].update(lag_u_s=0.3),
        "lag_u_s: means nothing without lag_s",
    ),
    "no channel on the path": (
        lambda t: [one.update(off_path=True) for one in t["channel"]],
        "channel: every channel is off_path",
    ),
    "channel without node": (lambda t: t["channel"][1].pop("node"), "channel 2: node: is missing"),
    "no channel": (lambda t: t.pop("channel"), "channel: is missing"),
    "microvolts of no type": (
        lambda t: t["channel"][1].update(unit="uV"),
        "channel 2 ('case'): thermocouple: is missing",
    ),
    "microvolts without cold junction": (
        lambda t: t["channel"][1].update(unit="uV", thermocouple="K"),
        "cold_junction: is missing",
    ),
    "cold junction on no node": (
        lambda t: t["channel"][1].update(unit="uV", thermocouple="K", cold_junction="box"),
        "no channel measures node 'box'; one of tab, case",
    ),
    "cold junction that needs one itself": (
        lambda t: [
            c.update(unit="uV", thermocouple="K", cold_junction=other)
            for c, other in zip(t["channel"], ("case", "tab"), strict=True)
        ],
        "is itself a thermocouple",
    ),
    "thermocouple with degC": (
        lambda t: t["channel"][1].update(thermocouple="K"),
        "thermocouple: means nothing with unit 'degC'",
    ),
    "guard on a missing node": (
        lambda t: t["guard"].update(max_degC={"bar": 90}),
        "guard.max_degC: no channel measures node 'bar'; one of tab, case",
    ),
    "power switched by nobody known": (
        lambda t: t["power"].update(switch="psu"),
        "power.switch: no instrument named 'psu'; one of reader, supply, operator",
    ),
    "power switched by one that cannot": (
        lambda t: t["power"].update(switch="reader"),
        "instrument 'reader' has no [instrument.switch]",
    ),
    "stated power of nothing": (
        lambda t: t["power"].update(source="stated"),
        "without power_W",
    ),
    "measured power of nobody": (
        lambda t: t["instrument"][1].pop("queries"),
        "no instrument gives supply_V and supply_A",
    ),
    "no power": (lambda t: t.pop("power"), "power: is missing"),
    "unknown table": (lambda t: t.update(sequense={}), "did you mean 'sequence'?"),
    "other schema": (lambda t: t.update(schema=2), "schema: 2 will not do"),
    "no schema": (
        lambda t: t.pop("schema"),
        "schema: is missing; 'schema = 1' at the top of the file",
    ),
    "unknown end of heating": (
        lambda t: t["sequence"].update(heat_until="done"),
        "sequence: heat_until: 'done' will not do",
    ),
    "separated lines without fields": (
        lambda t: t["instrument"][0].pop("fields"),
        "separated lines need fields",
    ),
    "a pattern that is none": (
        lambda t: t["instrument"][0].update(pattern="(", fields=None),
        "not a regular expression",
    ),
    "a pattern without names": (
        lambda t: t["instrument"][0].update(pattern="T=(.*)", fields=None),
        "named groups",
    ),
    "a pattern beside fields": (
        lambda t: t["instrument"][0].update(pattern="(?P<tab>.*)"),
        "its named groups are the fields",
    ),
    "a query that asks nothing": (
        lambda t: t["instrument"][1]["queries"].update(supply_V="MEAS:VOLT"),
        "asks nothing",
    ),
    "a register that does not exist": (
        lambda t: t["instrument"].append(
            {**MODBUS, "register": [{"field": "b", "address": 70000}]}
        ),
        "instrument 3 ('more'): register 1",
    ),
    "a Modbus switch that is no write": (
        lambda t: t["instrument"].append({**MODBUS, "switch": {"on": ["ON"], "off": ["OFF"]}}),
        "'ON' is no write",
    ),
    "a Modbus switch that is written to no slave": (
        lambda t: t["instrument"].append(
            {**MODBUS, "switch": {"on": ["slave 300 coil 0 = 1"], "off": ["slave 300 coil 0 = 0"]}}
        ),
        "'slave 300 coil 0 = 1' cannot be sent; slave 1 to 247",
    ),
    "a Modbus switch with more than a register holds": (
        lambda t: t["instrument"].append(
            {**MODBUS, "switch": {"on": ["register 7 = 70000"], "off": ["register 7 = 0"]}}
        ),
        "switch: 'register 7 = 70000' cannot be sent",
    ),
    "a Modbus switch whose off is its on": (
        lambda t: t["instrument"].append(
            {**MODBUS, "switch": {"on": ["coil 0 = 1"], "off": ["slave 1 coil 0 = 1"]}}
        ),
        "off ends with the write that on ends with",
    ),
    "a register past the last": (
        lambda t: t["instrument"].append(
            {**MODBUS, "register": [{"field": "b", "address": 65535, "type": "float32"}]}
        ),
        "register 'b' ends after address 65535",
    ),
    "a scale of nothing": (
        lambda t: t["instrument"].append(
            {**MODBUS, "register": [{"field": "b", "address": 0, "scale": 0}]}
        ),
        "scale: 0 will not do; any number but 0",
    ),
    "off that is on in other letters": (
        lambda t: t["instrument"][1].update(switch={"on": ["OUTP ON"], "off": ["outp  on"]}),
        "switch: off: ends with 'outp on', as on does",
    ),
    "a state query of two lines": (
        lambda t: t["instrument"][1].update(
            switch={"on": ["OUTP ON"], "off": ["OUTP OFF"], "state": "OUTP?\nX"}
        ),
        "switch: state: 'OUTP?\\nX' will not do; text on one line",
    ),
    "an error query of two lines": (
        lambda t: t["instrument"][1].update(errors="SYST:ERR?\n*RST"),
        "errors: 'SYST:ERR?\\n*RST' will not do; text on one line",
    ),
    "power of two instruments": (
        lambda t: t["instrument"].append(
            {"name": "meter", "driver": "scpi", "port": "c", "queries": {"supply_V": "V?"}}
        ),
        "'supply' and 'meter' both give supply_V",
    ),
    "instruments by name": (
        lambda t: t.update(instrument={"reader": t["instrument"][0]}),
        "instrument: a table will not do; at least one [[instrument]] block",
    ),
    "guard on a node in capitals": (
        lambda t: t["guard"].update(max_degC={"Tab": 90}),
        "guard: max_degC: Tab: 'Tab' will not do; lower-case letters",
    ),
    "two registers of one field": (
        lambda t: t["instrument"].append({**MODBUS, "register": MODBUS["register"] * 2}),
        "two registers have the same field",
    ),
}


@pytest.mark.parametrize("kind", BAD)
def test_a_malformed_rig_gets_one_line_with_file_and_place(kind: str) -> None:
    change, expected = BAD[kind]
    tables = copy.deepcopy(good())
    change(tables)
    with pytest.raises(RigError) as caught:
        rig_from(tables, "bench2.toml")
    message = str(caught.value)
    assert message.startswith("bench2.toml: ")
    assert expected in message
    assert "\n" not in message
    assert "pydantic" not in message
