"""What the sources of a rig owe its instruments, its sequence and the budget."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from bench.rig.sources import NEVER, OPERATOR, SUPPLY, Power, Source
from fit.errors import BudgetError, RigError

if TYPE_CHECKING:
    from bench.rig.schema import Rig
    from fit.budget.model import Budget

POWER_FIELDS = ("power_W", *SUPPLY)


def one_of(names: Iterable[object]) -> str:
    """What there is to choose from, in words."""
    return "one of " + ", ".join(map(str, names))


def check_sources(rig: Rig, file: str | Path) -> None:
    """Raises RigError for the first contradiction about power, sources or phases."""
    if rig.power is not None and rig.source:
        raise RigError(
            file, "power", "stands beside [[source]]", "[power] for one source, else [[source]]"
        )
    if rig.power is not None:
        _check_power(rig, rig.power, file)
    elif not rig.source:
        raise RigError(file, "power", "is missing", "every rig needs it, or [[source]] blocks")
    else:
        _check_blocks(rig, file)
    _check_phases(rig, file)


def check_against(rig: Rig, budget: Budget) -> None:
    """A budget's sources are those of the rig that logs for it. Raises BudgetError."""
    of_rig = [one.name for one in rig.sources]
    of_budget = [one.name for one in budget.sources]
    if len(of_rig) == len(of_budget) == 1 or sorted(of_rig) == sorted(of_budget):
        return
    raise BudgetError(
        budget.path,
        "source",
        f"are {_listed(of_budget)}, and the rig's are {_listed(of_rig)}",
        "the same names in both, one [[source]] each",
    )


def _listed(names: list[str]) -> str:
    return ", ".join(name or "one without a name" for name in names)


def _check_power(rig: Rig, power: Power, file: str | Path) -> None:
    """[power] has its figures, and somebody who switches."""
    for field in POWER_FIELDS:
        _check_one_giver(rig, field, file)
    if power.source == "stated" and power.power_W is None:
        raise RigError(file, "power", 'source = "stated" without power_W', "power_W = 4.2, say")
    if power.source == "measured":
        known = [instrument.field_names() for instrument in rig.instrument]
        names = frozenset().union(*(fields or () for fields in known))
        if None not in known and not (set(SUPPLY) <= names or "power_W" in names):
            raise RigError(
                file,
                "power",
                'source = "measured", but no instrument gives supply_V and supply_A, or power_W',
                'give the supply [instrument.queries], or source = "stated"',
            )
    if power.switch == NEVER:
        raise RigError(
            file,
            "power.switch",
            "nobody switches the only source",
            one_of([*(one.name for one in rig.instrument), OPERATOR]),
        )
    _check_switch(rig, power.switch, "power.switch", (OPERATOR,), file)


def _check_one_giver(rig: Rig, field: str, file: str | Path) -> list[str]:
    """The instruments that are known to give a field. Raises RigError where there are several."""
    givers = [one.name for one in rig.instrument if field in (one.field_names() or ())]
    if len(givers) > 1:
        raise RigError(
            file,
            "instrument",
            f"'{givers[0]}' and '{givers[1]}' both give {field}",
            "name one of them otherwise: the power is of one instrument",
        )
    return givers


def _check_switch(
    rig: Rig, switch: str, place: str, besides: Collection[str], file: str | Path
) -> None:
    """A switch is one of the words besides, or an instrument that can switch."""
    if switch in besides:
        return
    named = next((one for one in rig.instrument if one.name == switch), None)
    if named is None:
        names = [one.name for one in rig.instrument]
        raise RigError(file, place, f"no instrument named '{switch}'", one_of([*names, *besides]))
    if named.switch is None:
        raise RigError(
            file,
            place,
            f"instrument '{named.name}' has no [instrument.switch]",
            f'give it on and off commands, or switch = "{OPERATOR}"',
        )


def _places(rig: Rig) -> Iterator[tuple[str, Source]]:
    for number, one in enumerate(rig.source, 1):
        yield f"source {number} ('{one.name}')", one


def _check_blocks(rig: Rig, file: str | Path) -> None:
    """Each [[source]] has its own name, fields and switch."""
    of_name: dict[str, str] = {}
    of_field: dict[str, str] = {}
    of_switch: dict[str, str] = {}
    for place, one in _places(rig):
        if one.name in of_name:
            raise RigError(
                file, place, f"'{one.name}' is {of_name[one.name]} too", "its own name for each"
            )
        of_name[one.name] = place
        if one.name == "supply":
            raise RigError(
                file,
                place,
                "supply_V and supply_A are the columns of a run of one source",
                "name it as the part that it feeds",
            )
        _check_figures(rig, one, place, file)
        for field in filter(None, (one.V, one.A)):
            if field in of_field:
                problem = f"'{field}' is already a figure of '{of_field[field]}'"
                raise RigError(file, place, problem, "each source its own fields")
            of_field[field] = one.name
        _check_switch(rig, one.switch, f"{place}: switch", (OPERATOR, NEVER), file)
        if one.switch not in (OPERATOR, NEVER) and one.switch in of_switch:
            raise RigError(
                file,
                f"{place}: switch",
                f"'{one.switch}' already switches '{of_switch[one.switch]}'",
                "an instrument for each source: its off would switch both off",
            )
        of_switch[one.switch] = one.name
    if all(one.switch == NEVER for one in rig.source):
        raise RigError(file, "source", "none is ever switched", f'switch = "{OPERATOR}" for one')


def _check_figures(rig: Rig, one: Source, place: str, file: str | Path) -> None:
    """Volts and amperes that an instrument gives, or a stated power, and not both."""
    if one.power == "stated":
        if one.power_W is None:
            problem = 'power = "stated" without power_W'
            raise RigError(file, place, problem, "power_W = 4.2, say")
        if one.V is not None or one.A is not None:
            problem = 'V and A mean nothing with power = "stated"'
            raise RigError(file, place, problem, 'leave them out, or power = "measured"')
        return
    if one.power_W is not None:
        problem = 'power_W means nothing with power = "measured"'
        raise RigError(file, place, problem, 'leave it out, or power = "stated"')
    known = [instrument.field_names() for instrument in rig.instrument]
    for key, field in (("V", one.V), ("A", one.A)):
        if field is None:
            raise RigError(
                file,
                f"{place}: {key}",
                "is missing",
                f'the field of its {"volts" if key == "V" else "amperes"}, or power = "stated"',
            )
        givers = _check_one_giver(rig, field, file)
        if not givers and None not in known:
            raise RigError(
                file,
                f"{place}: {key}",
                f"no instrument has a field '{field}'",
                one_of(sorted(frozenset().union(*(fields or () for fields in known)))),
            )


def _check_phases(rig: Rig, file: str | Path) -> None:
    """Every phase is of sources that are switched."""
    sequence = rig.sequence
    if not sequence.phases:
        return
    if not rig.source:
        raise RigError(
            file, "sequence.phases", "mean nothing with [power]", "[[source]] blocks, or heat_s"
        )
    if "heat_s" in sequence.model_fields_set:
        raise RigError(
            file, "sequence.heat_s", "means nothing with phases", "leave it out: for_s adds up"
        )
    switched = [one.name for one in rig.sources if one.is_switched]
    for number, phase in enumerate(sequence.phases, 1):
        place = f"sequence.phases: phase {number}"
        if not phase.on:
            raise RigError(file, place, "names no source", "to cool, sequence.cool_s")
        for name, count in Counter(phase.on).items():
            if count > 1:
                raise RigError(file, place, f"names '{name}' twice", "each source once")
            if name not in switched:
                named = name in (one.name for one in rig.source)
                problem = f"'{name}' is never switched" if named else f"no source named '{name}'"
                raise RigError(file, place, problem, one_of(switched))
