"""The power of one source held against its limit, and against whether it should be on."""

from __future__ import annotations

import math

from bench.rig.sources import PowerSource
from bench.status import Trip

OVER_STATED = 1.2  # times the stated power, where no limit is given
STILL_ON = 0.1  # share of the heating power that a supply switched off may still show
NO_POWER = 0.1  # share of the heating power below which it has switched itself off
IDLE_TIMES, IDLE_W = 1.2, 1e-3  # over so many times what is shown without power, it heats [1, W]
POWER_SCANS = 3  # in a row: one reading can be of the moment of switching


class PowerGuard:
    """Watches what the supply of one source shows."""

    def __init__(self, source: PowerSource, most_W: float | None, patience_s: float) -> None:
        """
        Args:
            source: whose power it is.
            most_W: over it the power goes off [W]; None: 1.2 times a stated power, or no limit.
            patience_s: how long a measured power may be missing [s].
        """
        self._words = source.words
        self._of = f" of '{source.name}'" if source.name else ""
        self._measured = source.measured
        self._patience_s = patience_s
        self._most_W = most_W
        if most_W is None and source.power_W is not None:
            self._most_W = OVER_STATED * source.power_W
        self._seen_s: float | None = None
        self._idle_W = 0.0  # most that was shown before the power came on
        self._heating_W = 0.0  # most that was shown since
        self._on_since_s: float | None = None
        self._odd_power = 0

    @property
    def heated(self) -> bool:
        """The supply's own figures have shown a heating power."""
        return self._heating_W > 0

    def check(self, t_s: float, power_W: float, on: bool | None) -> Trip | None:
        """The first thing that speaks against this power, or None.

        Args:
            t_s: of the scan [s].
            power_W: by the supply's own figures [W]; NaN where they did not come.
            on: as switched and confirmed; None while it is being switched, or never is.
        """
        if math.isnan(power_W):
            if not self._measured:
                return None
            self._seen_s = t_s if self._seen_s is None else self._seen_s
            if t_s - self._seen_s > self._patience_s:
                missing_s = t_s - self._seen_s
                return Trip("silence", f"no power reading{self._of} for {missing_s:.0f} s")
            return None
        self._seen_s = t_s
        if self._most_W is not None and power_W > self._most_W:
            text = f"{self._words} gives {power_W:.3g} W, over its limit of {self._most_W:g}"
            return Trip("power", text)
        text = self._odd(power_W, on)
        self._odd_power = self._odd_power + 1 if text else 0
        if text and self._odd_power >= POWER_SCANS:
            return Trip("power", text)
        return self._never_came(t_s, power_W, on)

    def still_on(self, power_W: float) -> str:
        """What is strange about a power [W] shown while it is off; empty when nothing is."""
        if self.heated and power_W > STILL_ON * self._heating_W:
            return f"{self._words} is off but still gives {power_W:.3g} W"
        return ""

    def _odd(self, power_W: float, on: bool | None) -> str:
        """What is strange about the power; empty when nothing is."""
        if on is False:
            if not self.heated:
                self._idle_W = max(self._idle_W, power_W)
            return self.still_on(power_W)
        if on:
            if self.heated and power_W < NO_POWER * self._heating_W:
                limit = "its own limit may hold it"
                return f"{self._words} is on but gives only {power_W:.3g} W: {limit}"
            if power_W > IDLE_TIMES * self._idle_W + IDLE_W:
                self._heating_W = max(self._heating_W, power_W)
        return ""

    def _never_came(self, t_s: float, power_W: float, on: bool | None) -> Trip | None:
        """Switched on, and for as long as a silence may last no power to be seen."""
        if not on or self.heated:
            self._on_since_s = None
            return None
        if self._on_since_s is None:
            self._on_since_s = t_s
        on_s = t_s - self._on_since_s
        if on_s <= self._patience_s:
            return None
        text = (
            f"the power{self._of} is on, but for {on_s:.0f} s the supply has shown {power_W:.3g} W:"
            " is the load connected, are voltage and current set?"
        )
        return Trip("power", text)
