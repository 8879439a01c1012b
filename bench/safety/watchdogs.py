"""A watchdog for each source that is switched: a slow supply keeps none of the others on."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from bench.instruments.settings import InstrumentSettings
from bench.safety.watchdog_client import Watchdog


class Watchdogs:
    """All of them, by source; used as one where it does not matter which."""

    def __init__(
        self,
        switching: Mapping[str, InstrumentSettings | None],
        events: Path,
        origin_s: float,
        patience_s: float,
    ) -> None:
        """Start them and wait until they are ready.

        Args:
            switching: source -> the instrument that switches it; None: the operator does.
            events, origin_s, patience_s: as of a `Watchdog`.

        Raises:
            BenchError: one does not start; then none is left.
        """
        self._each: dict[str, Watchdog] = {}
        try:
            for source, settings in switching.items():
                self._each[source] = Watchdog(settings, events, origin_s, patience_s, source)
        except BaseException:
            self.leave()
            raise

    def alive(self) -> None:
        """Give every one a sign of life."""
        for one in self._each.values():
            one.alive()

    def take_deaths(self) -> list[str]:
        """What has happened to them since. Raises BenchError when one is gone for good."""
        return [text for one in self._each.values() for text in one.take_deaths()]

    def power_goes_on(self, source: str) -> None:
        """A source is about to be switched on. Raises BenchError where a watchdog is gone."""
        self._each[source].power_goes_on()

    def power_is_off(self, source: str) -> None:
        """A source has been switched off, and that was confirmed."""
        self._each[source].power_is_off()

    def leave(self) -> None:
        """The logger ends: those whose source is not known to be off take over now."""
        for one in self._each.values():
            one.leave()
