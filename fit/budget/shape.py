"""The shape of a budget's heat path: a chain, or a tree of several sources."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fit.budget.inputs import PROPERTIES
from fit.budget.model import AMBIENT, Source, Stage
from fit.budget.uncertain import Uncertain
from fit.errors import BudgetError
from fit.toml_file import nearest

TREE = (
    "write a [[source]] block for each part that makes heat (name, node, power_W); then stages may "
    "branch, each with its own from and to"
)


def check_stages(stages: Sequence[Stage], path: Path) -> None:
    """What holds for stages in any shape. Raises BudgetError."""
    check_names(stages, path)
    check_inputs(stages, path)


def check_names(stages: Sequence[Stage], path: Path) -> None:
    """Every stage has its own name. Raises BudgetError."""
    names: set[str] = set()
    for number, stage in enumerate(stages, 1):
        if stage.name in names:
            raise BudgetError(
                path, _place(number, stage), "has the name of an earlier stage", "its own name"
            )
        names.add(stage.name)


def check_inputs(stages: Sequence[Stage], path: Path) -> None:
    """A property of a named material has one value; shared is what is a number of the stage.

    Raises:
        BudgetError: two values of one property, or a share of what the stage does not state.
    """
    known: dict[tuple[str, str], tuple[Stage, Uncertain]] = {}
    for number, stage in enumerate(stages, 1):
        shared = {} if stage.keys is None else stage.keys.shared or {}
        for key in sorted(shared.keys() - stage.uncertain.keys()):
            place, problem = (
                f"{_place(number, stage)}: shared",
                f"the stage states no number '{key}'",
            )
            raise BudgetError(path, place, problem, nearest(key, stage.uncertain))
        material = "" if stage.keys is None else stage.keys.material or ""
        for key in sorted(PROPERTIES & stage.uncertain.keys()) if material else ():
            first, stated = known.setdefault((material, key), (stage, stage.uncertain[key]))
            if stage.uncertain[key] != stated:
                raise BudgetError(
                    path,
                    f"{_place(number, stage)}: {key}",
                    f"is not what stage '{first.name}' states of '{material}'",
                    "one value and one uncertainty, or another name for the material",
                )


def check_ends(stages: Sequence[Stage], path: Path) -> None:
    """Every stage gives its heat where it can. Raises BudgetError."""
    for number, stage in enumerate(stages, 1):
        if stage.kind == "surface" and stage.to_node != AMBIENT:
            place = f"{_place(number, stage)}: to"
            raise BudgetError(path, place, "a surface gives its heat to the air", _to(AMBIENT))
        if stage.from_node == AMBIENT:
            place = f"{_place(number, stage)}: from"
            raise BudgetError(path, place, "no heat comes from ambient", 'from = "<node>"')


def check_chain(stages: Sequence[Stage], path: Path) -> None:
    """One chain, no gap, no loop, ending in ambient; stages side by side follow one another.

    Raises:
        BudgetError: it is none; where it has branches, how a tree is written.
    """
    visited = {stages[0].from_node}
    for number, stage in enumerate(stages, 1):
        before = stages[max(number - 2, 0)]
        if number > 1 and (stage.from_node, stage.to_node) == (before.from_node, before.to_node):
            continue
        place = _place(number, stage)
        if number > 1 and stage.from_node != before.to_node:
            ended = {other.to_node for other in stages[: number - 1]}
            branch = before.to_node == AMBIENT or stage.to_node in ended
            raise BudgetError(
                path,
                f"{place}: from",
                f"'{stage.from_node}' is not where stage '{before.name}' ends ('{before.to_node}')",
                f"of several parts, {TREE}"
                if branch
                else f'from = "{before.to_node}", or put the stages in the order of the heat path',
            )
        if stage.to_node in visited:
            raise BudgetError(
                path,
                f"{place}: to",
                f"the path comes back to '{stage.to_node}'",
                "each node once, from the heat source to ambient",
            )
        visited.add(stage.to_node)
    if stages[-1].to_node != AMBIENT:
        raise BudgetError(
            path,
            f"{_place(len(stages), stages[-1])}: to",
            f"the path ends at '{stages[-1].to_node}'",
            f'the last stage goes to "{AMBIENT}"',
        )


def check_tree(stages: Sequence[Stage], path: Path) -> None:
    """Every node has one way out, and every way ends in ambient.

    Raises:
        BudgetError: a node with two ways out that are not parallel, a loop, a way that ends.
    """
    onward: dict[str, Stage] = {}
    for number, stage in enumerate(stages, 1):
        first = onward.setdefault(stage.from_node, stage)
        if first.to_node != stage.to_node:
            raise BudgetError(
                path,
                f"{_place(number, stage)}: to",
                f"'{stage.from_node}' has a second way out: stage '{first.name}' leads to "
                f"'{first.to_node}'",
                f"{_to(first.to_node)} beside it, or a [[leak]] for heat that leaves the path",
            )
    for number, stage in enumerate(stages, 1):
        way = [stage.from_node]
        while way[-1] != AMBIENT:
            place = f"{_place(number, stage)}: to"
            if way[-1] not in onward:
                raise BudgetError(
                    path,
                    place,
                    f"the way ends at '{way[-1]}'",
                    f"a stage from '{way[-1]}' on; the last goes to \"{AMBIENT}\"",
                )
            beyond = onward[way[-1]].to_node
            if beyond in way:
                raise BudgetError(
                    path,
                    place,
                    f"the way comes back to '{beyond}'",
                    f'each node once, from its source to "{AMBIENT}"',
                )
            way.append(beyond)


def check_sources(sources: Sequence[Source], stages: Sequence[Stage], path: Path) -> None:
    """Every source has its own name and a node of the path, and heats every stage between them.

    Raises:
        BudgetError: two of one name, one at no node or at ambient, a stage that carries no heat.
    """
    nodes = list(dict.fromkeys(stage.from_node for stage in stages))
    names: set[str] = set()
    for number, source in enumerate(sources, 1):
        place = f"source {number} ('{source.name}')"
        if source.name in names:
            raise BudgetError(path, place, "has the name of an earlier source", "its own name")
        if source.name == "supply":
            problem = "is what readings of all sources together are called"
            raise BudgetError(path, f"{place}: name", problem, "another name")
        names.add(source.name)
        if source.node == AMBIENT:
            raise BudgetError(path, f"{place}: node", "is ambient, which no part heats", "a node")
        if source.node not in nodes:
            problem = f"no stage begins at node '{source.node}'"
            raise BudgetError(path, f"{place}: node", problem, nearest(source.node, nodes))
    if not sources:
        return
    onward = {stage.from_node: stage.to_node for stage in stages}
    heated = set()
    for source in sources:
        node = source.node
        while node != AMBIENT:
            heated.add(node)
            node = onward[node]
    for number, stage in enumerate(stages, 1):
        if stage.from_node not in heated:
            raise BudgetError(
                path,
                f"{_place(number, stage)}: from",
                f"no source heats '{stage.from_node}': the stage carries no heat",
                "a [[source]] there, or leave the stage out",
            )


def _place(number: int, stage: Stage) -> str:
    return f"stage {number} ('{stage.name}')"


def _to(node: str) -> str:
    return f'to = "{node}"'
