"""Every source that a run switches: which are on, what is under way, who watches each."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterator, Mapping

from bench.acquisition.power_switch import OperatorOf, PowerSwitch
from bench.acquisition.station import SwitchRequest
from bench.safety.watchdogs import Watchdogs


def named(source: str) -> dict[str, str]:
    """What an event says of its source: nothing where there is one without a name."""
    return {"source": source} if source else {}


class Switchboard:
    """The switches of a run, by source ("" where there is one without a name)."""

    def __init__(
        self,
        switches: Mapping[str, PowerSwitch],
        unknown: Collection[str] = (),
        lock_step: bool = False,
    ) -> None:
        """
        Args:
            switches: of every source that is switched.
            unknown: sources of which nobody knows whether they are on; the others are off.
            lock_step: a turn is waited for, so that a run is the same each time.
        """
        self.on: dict[str, bool | None] = {
            source: None if source in unknown else False for source in switches
        }
        self.watchdogs: Watchdogs | None = None
        self._switches = switches
        self._lock_step = lock_step
        self._turns: dict[str, SwitchRequest] = {}

    @property
    def power_on(self) -> bool | None:
        """Whether any source is on; None where none is, and one is being switched."""
        states = self.on.values()
        return True if True in states else None if None in states else False

    @property
    def sources_on(self) -> frozenset[str]:
        """The sources that are on, as confirmed."""
        return frozenset(source for source, on in self.on.items() if on)

    @property
    def is_settled(self) -> bool:
        """Nothing is being switched."""
        return not self._turns and None not in self.on.values()

    def watch(self, watchdogs: Watchdogs) -> None:
        """Have them watched; a source in an unknown state counts as on. Raises BenchError."""
        self.watchdogs = watchdogs
        for source, on in self.on.items():
            if on is None:
                watchdogs.power_goes_on(source)

    def follow(self, wanted: Collection[str]) -> None:
        """Begin to switch what is not as wanted. Raises BenchError where no watchdog runs."""
        begun = []
        for source, switch in self._switches.items():
            on = source in wanted
            if source in self._turns or self.on[source] is on:
                continue
            if on and self.watchdogs is not None:
                self.watchdogs.power_goes_on(source)
            self.on[source] = None
            self._turns[source] = switch.turn(on)
            begun.append(self._turns[source])
        if self._lock_step:
            for turn in begun:
                turn.done.wait()

    def finished(self) -> Iterator[tuple[str, SwitchRequest]]:
        """Turns that have been done since the last call, in the order in which they were."""
        done = [(source, turn) for source, turn in self._turns.items() if turn.done.is_set()]
        for source, turn in sorted(done, key=lambda one: one[1].t_s or 0.0):
            del self._turns[source]
            if turn.error is None:
                self.on[source] = turn.on
                if not turn.on:
                    self._is_off(source)
            yield source, turn

    def all_off(self, given_up: Callable[[], bool]) -> dict[str, SwitchRequest]:
        """Switch everything off, each source on its own, trying everything.

        Args:
            given_up: may end the waiting for an operator.

        Returns:
            What came of it, of each source that was not known to be off.
        """
        self._turns.clear()
        found: dict[str, SwitchRequest] = {}

        def switch_off(source: str) -> None:
            if self.on[source] is False:
                self._switches[source].off_once_more()
                return
            found[source] = turn = self._switches[source].off_for_good(given_up)
            if turn.error is None:
                self.on[source] = False
                self._is_off(source)

        asked = [one for one, switch in self._switches.items() if isinstance(switch, OperatorOf)]
        threads = [
            threading.Thread(target=switch_off, args=(source,), daemon=True, name=f"off {source}")
            for source in self._switches
            if source not in asked
        ]
        for thread in threads:
            thread.start()
        for source in asked:  # one after another: there is one keyboard
            switch_off(source)
        for thread in threads:
            thread.join()
        return {source: found[source] for source in self._switches if source in found}

    def _is_off(self, source: str) -> None:
        if self.watchdogs is not None:
            self.watchdogs.power_is_off(source)
