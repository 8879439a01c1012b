"""A rig that is accepted, to be spoilt one entry at a time."""

from __future__ import annotations

import tomllib
from typing import Any

GOOD = """
schema = 1
title = "Bench 2"

[[instrument]]
name = "reader"
driver = "line"
port = "/dev/reader"
fields = ["tab", "case"]

[[instrument]]
name = "supply"
driver = "scpi"
port = "/dev/supply"
[instrument.queries]
supply_V = "MEAS:VOLT?"
supply_A = "MEAS:CURR?"
[instrument.switch]
on = ["OUTP ON"]
off = ["OUTP OFF"]

[[channel]]
node = "tab"
instrument = "reader"
field = "tab"

[[channel]]
node = "case"
instrument = "reader"
field = "case"

[power]
switch = "supply"

[sequence]
soak_s = 60

[guard]
max_degC = { tab = 110 }
"""


MODBUS = {
    "name": "more",
    "driver": "modbus",
    "port": "/dev/more",
    "register": [{"field": "bar", "address": 0}],
}


def good() -> dict[str, Any]:
    return tomllib.loads(GOOD)
