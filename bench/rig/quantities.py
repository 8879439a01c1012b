"""Names and numbers of rig.toml that several of its tables take, each with its bounds."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, Strict, StringConstraints

NODE_NAME_REMEDY = "lower-case letters, digits and underscores, a letter first"
LONGEST_NODE_NAME = 40
NodeName = Annotated[
    str,
    StringConstraints(strict=True, pattern=r"^[a-z][a-z0-9_]*$", max_length=LONGEST_NODE_NAME),
]
# A limit nothing reaches guards nothing, and a slipped exponent shall not pass for a wish.
RateKPerMin = Annotated[float, Strict(), Field(gt=0, le=1e4)]
ColdDegC = Annotated[float, Strict(), Field(ge=-100, le=200)]
Slope = Annotated[float, Strict(), Field(ge=1, le=100)]  # B to E, of any range
Lag = Annotated[float, Strict(), Field(ge=0, le=3600)]
LimitDegC = Annotated[float, Strict(), Field(ge=-100, le=1000)]
Share = Annotated[float, Strict(), Field(ge=0, lt=1)]
Watts = Annotated[float, Strict(), Field(gt=0, le=1e5)]
Seconds = Annotated[float, Strict(), Field(ge=0, le=30 * 86400)]
Heating = Annotated[float, Strict(), Field(gt=0, le=30 * 86400)]
Interval = Annotated[float, Strict(), Field(ge=0.001, le=3600)]
Silence = Annotated[float, Strict(), Field(gt=0, le=3600)]
