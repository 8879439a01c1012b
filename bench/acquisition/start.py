"""What a heat run needs before its first scan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from bench.acquisition.power_switch import (
    NOBODY,
    InstrumentSwitch,
    OperatorOf,
    OperatorSwitch,
    PowerSwitch,
)
from bench.acquisition.resume import ResumeState
from bench.acquisition.station import InstrumentWorker
from bench.clock import Clock
from bench.control.blindness import along_the_path, along_the_rig
from bench.control.sequence import Sequence
from bench.rig.schema import Rig
from bench.rig.sources import Heat
from bench.status import NoView, View
from fit.errors import BudgetError, PortError, RecordError
from fit.records.metadata import run_document
from fit.records.plain_file import read_tables
from fit.records.run_folder import READINGS, default_folder
from fit.records.writer import RunWriter

if TYPE_CHECKING:
    from bench.acquisition.estimator import Estimator
    from fit.budget.model import Budget

NOBODY_WITHIN_S = 0.2


def power_switches(
    rig: Rig,
    stations: dict[str, InstrumentWorker],
    clock: Clock,
    view: View,
    keyboard: IO[str] | None,
) -> dict[str, PowerSwitch]:
    """Who switches each source of the rig that is switched."""
    switched = [one for one in rig.sources if one.is_switched]
    operator = None
    if any(rig.switching(one) is None for one in switched):
        operator = OperatorSwitch(clock, lambda text: view.say(text, loud=True), keyboard)
    found: dict[str, PowerSwitch] = {}
    for one in switched:
        settings = rig.switching(one)
        if settings is not None:
            found[one.name] = InstrumentSwitch(stations[settings.name])
        elif operator is not None:
            found[one.name] = OperatorOf(operator, one.name)
    return found


def start_with_power_off(switches: Mapping[str, PowerSwitch]) -> None:
    """The soak is without power, and a switch that cannot switch is found out now.

    Raises:
        PortError: a supply is not switched off, or there is no operator.
    """
    for switch in switches.values():
        if isinstance(switch, OperatorOf) and switch.operator.nobody_there(NOBODY_WITHIN_S):
            raise PortError(
                f"{NOBODY}: the rig's power.switch is the operator, whom nobody could ask; "
                "start it in a terminal, or pipe one line into it for each switching"
            )
        if isinstance(switch, InstrumentSwitch):
            turn = switch.off_for_good(lambda: False)
            if turn.error is not None:
                raise PortError(f"cannot be switched off before the start: {turn.error}")


@dataclass(frozen=True)
class Started:
    """A record that is being written, and where its heat run stands."""

    writer: RunWriter
    sequence: Sequence
    origin_s: float  # bench clock at record time 0 [s]
    unknown: frozenset[str] = frozenset()  # sources whose state (on or off) is not known


def begin(
    rig: Rig,
    clock: Clock,
    columns: tuple[str, ...],
    folder: Path | None,
    *,
    budget: Budget | None,
    label: str,
    labels: Mapping[str, Any],
) -> Started:
    """Create the run folder; `labels` are further keys of run.json. Raises RecordError."""
    label = label or rig.title
    utc, now_s = clock.utc(), clock.now_s()
    document = run_document(
        label,
        rig.nodes,
        utc,
        sensors=_sensors(rig),
        rig=rig.document(),
        budget=_budget_document(budget),
        **labels,
    )
    writer = RunWriter.create(folder or default_folder(label, utc), document, columns)
    sequence = Sequence(
        rig.sequence, _reference_node(rig), off_path=_off_path(rig), heat=_heat(rig)
    )
    return Started(writer, sequence, now_s)


def go_on(rig: Rig, clock: Clock, before: ResumeState, columns: tuple[str, ...]) -> Started:
    """Go on with a run whose program died; its time went on with the wall clock.

    Raises:
        RecordError: the record cannot be gone on with.
    """
    writer = RunWriter.resume(before.folder)
    if writer.columns[-len(columns) :] != columns:
        writer.close()
        raise RecordError(
            before.folder / READINGS,
            "line 1",
            f"has the columns {','.join(writer.columns)}",
            f"the instruments now give {', '.join(columns)}",
        )
    past_s = max(
        (clock.utc() - before.started).total_seconds(), writer.last_t_s + rig.sequence.interval_s
    )
    sequence = Sequence.continued(
        rig.sequence,
        _reference_node(rig),
        before.heat_started_s,
        before.heat_ended_s,
        before.interrupted_s,
        off_path=_off_path(rig),
        heat=_heat(rig),
    )
    # An instrument has just been switched off; of an operator's switch nothing is known.
    asked = {one.name for one in rig.sources if one.is_switched and rig.switching(one) is None}
    return Started(writer, sequence, clock.now_s() - past_s, before.left_on & asked)


def make_estimator(
    rig: Rig, clock: Clock, budget: Budget | None, view: View, wanted: bool | None
) -> Estimator:
    from bench.acquisition.estimator import InlineEstimator, NoEstimator, ProcessEstimator

    if wanted is None:
        wanted = not isinstance(view, NoView) or rig.sequence.heat_until == "decided"
    sources = tuple(one.name for one in rig.sources) if len(rig.sources) > 1 else ()
    unjudged = bool(sources) and budget is None
    if wanted and unjudged:
        view.say("live estimate of several sources needs a budget: every phase goes by its time")
    if not wanted or unjudged:
        return NoEstimator()
    if clock.lock_step:
        return InlineEstimator(rig.path_nodes, budget, _accuracy(rig), sources)
    path = Path(budget.path) if budget else None
    return ProcessEstimator(rig.path_nodes, path, _accuracy(rig), sources)


def _accuracy(rig: Rig) -> dict[str, object]:
    """What run.json will say of the channels and the power."""
    return {"sensors": _sensors(rig), "rig": rig.document()}


def further_along(rig: Rig, budget: Budget | None) -> dict[str, tuple[str, ...]]:
    """The nodes that each node's heat reaches later: by the budget, else by the rig's order."""
    if budget is None:
        return along_the_rig(rig)
    return along_the_path(rig.path_nodes, dict(budget.tree.links), budget.ambient)


def heated_by(rig: Rig, budget: Budget | None) -> dict[str, tuple[str, ...]]:
    """The nodes that each source's heat passes, of several sources; none where no budget tells."""
    if budget is None or len(rig.sources) == 1:
        return {}
    return {source.name: budget.joined.path(source.node) for source in budget.sources}


def _heat(rig: Rig) -> Heat | None:
    """The phases of a heating that goes by them; None where `heat_until` ends it."""
    return rig.heat if rig.heats_in_phases else None


def _off_path(rig: Rig) -> tuple[str, ...]:
    return tuple(node for node in rig.nodes if node not in rig.path_nodes)


def _reference_node(rig: Rig) -> str | None:
    return "ambient" if "ambient" in rig.path_nodes else None


def _sensors(rig: Rig) -> dict[str, object]:
    return {
        channel.node: channel.model_dump(mode="json", exclude={"node"}, exclude_defaults=True)
        for channel in rig.channel
    }


def _budget_document(budget: Budget | None) -> dict[str, object] | None:
    if budget is None:
        return None
    return read_tables(Path(budget.path), BudgetError, "it was there when the run was begun")
