"""What every instrument's block in rig.toml may say, whatever its protocol."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict, StringConstraints


def _one_line(text: str) -> str:
    if not text.strip() or any(character in text for character in "\r\n\0"):
        raise ValueError("text on one line, and not blank")
    return text


def _not_zero(scale: float) -> float:
    if scale == 0:
        raise ValueError("any number but 0, which makes every reading the same")
    return scale


Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Scale = Annotated[Number, AfterValidator(_not_zero)]
Positive = Annotated[float, Strict(), Field(gt=0, allow_inf_nan=False)]
Patience = Annotated[float, Strict(), Field(gt=0, le=600)]  # of an exchange over a port [s]
Rest = Annotated[float, Strict(), Field(ge=0, le=600)]  # before the next exchange [s]
Text = Annotated[str, StringConstraints(strict=True, min_length=1)]
Name = Annotated[Text, AfterValidator(_one_line)]
Command = Annotated[Text, AfterValidator(_one_line)]  # two in one would pass as one that answers
CommandOrEmpty = Annotated[str, Strict(), AfterValidator(lambda text: text and _one_line(text))]


class Block(BaseModel):
    """A table of rig.toml: frozen, and unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Switch(Block):
    """Commands that put the power on and off.

    `state` is the query that reads the switch back; where it is not given, an instrument that is
    switched with `OUTP…` is asked `OUTP?`.
    """

    on: tuple[Command, ...] = Field(min_length=1)
    off: tuple[Command, ...] = Field(min_length=1)
    state: CommandOrEmpty | None = None


class InstrumentSettings(Block):
    """Keys common to all drivers. A driver's own module adds its own."""

    name: Name
    driver: Text
    port: Name
    baud: Annotated[int, Strict(), Field(gt=0, le=20_000_000)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    reply_s: Patience = 1.0  # how long an answer, or the next line of a stream, may take [s]
    startup_s: Rest = 0.0  # rest after opening, for a board that restarts when opened [s]
    switch: Switch | None = None
    limits: dict[Name, Number] = Field(default_factory=dict)  # own limits, set before switching on

    @property
    def streams(self) -> bool:
        """It sends by itself, rather than when asked."""
        return False

    @property
    def line(self) -> dict[str, Any]:
        """How bits go over a serial line, with pyserial's names."""
        return {
            "baudrate": self.baud,
            "bytesize": self.data_bits,
            "parity": self.parity,
            "stopbits": self.stop_bits,
        }

    @property
    def byte_port(self) -> str:
        """The port as the watchdog opens it, which sends bytes and knows no protocol."""
        return self.port

    def field_names(self) -> frozenset[str] | None:
        """Names a channel may ask for; None when only the instrument itself knows."""
        return None

    def problem(self) -> str | None:
        """What contradicts itself in this block, in one sentence, or None."""
        return None
