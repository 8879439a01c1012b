"""What a heat run needs before its first scan."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import IO, TYPE_CHECKING

from bench.clock import Clock
from bench.rig import Rig
from bench.station import Station
from bench.status import NoView, View
from bench.switching import InstrumentSwitch, OperatorSwitch, PowerSwitch
from fit.errors import PortError

if TYPE_CHECKING:
    from bench.estimator import Estimator
    from fit.budget.model import Budget


def power_switch(
    rig: Rig,
    stations: dict[str, Station],
    clock: Clock,
    view: View,
    keyboard: IO[str] | None,
) -> PowerSwitch:
    if rig.switching is not None:
        return InstrumentSwitch(stations[rig.switching.name])
    return OperatorSwitch(clock, lambda text: view.say(text, loud=True), keyboard)


def start_with_power_off(switch: PowerSwitch) -> None:
    """The soak is without power, and a supply that cannot be switched off is found out now."""
    if isinstance(switch, InstrumentSwitch):
        turn = switch.off_for_good(lambda: False)
        if turn.error is not None:
            raise PortError(f"cannot be switched off before the start: {turn.error}")


def reference_node(rig: Rig) -> str | None:
    return "ambient" if "ambient" in rig.nodes else None


def sensors(rig: Rig) -> dict[str, object]:
    return {
        channel.node: channel.model_dump(mode="json", exclude={"node"}, exclude_defaults=True)
        for channel in rig.channel
    }


def budget_document(budget: Budget | None) -> dict[str, object] | None:
    if budget is None:
        return None
    return tomllib.loads(Path(budget.path).read_text(encoding="utf-8"))


def make_estimator(
    rig: Rig, clock: Clock, budget: Budget | None, view: View, wanted: bool | None
) -> Estimator:
    from bench.estimator import InlineEstimator, NoEstimator, ProcessEstimator

    if wanted is None:
        wanted = not isinstance(view, NoView) or rig.sequence.heat_until == "decided"
    if not wanted:
        return NoEstimator()
    if clock.lock_step:
        return InlineEstimator(rig.nodes, budget)
    return ProcessEstimator(rig.nodes, Path(budget.path) if budget else None)
