"""budget.toml: read, checked, and joined up into one path, or a tree, from source to ambient."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from fit.budget.inner_air import film_W_per_m2K, inner_air_leaks
from fit.budget.model import AMBIENT, Budget, Conditions, Leak, Limits, Source, Stage
from fit.budget.shape import (
    check_chain,
    check_ends,
    check_sources,
    check_stages,
    check_tree,
)
from fit.budget.stages.base import (
    LARGEST,
    Block,
    Fraction,
    NodeName,
    NotNegative,
    Positive,
    StageKeys,
    number_names,
    numbers,
)
from fit.budget.stages.registry import KINDS
from fit.budget.uncertain import Uncertain
from fit.errors import BudgetError
from fit.records.plain_file import read_tables
from fit.toml_file import first_complaint, first_error, nearest, shown

MATERIAL = ("density_kg_per_m3", "specific_heat_J_per_kgK", "mass_g")
COLDEST_DEGC = -273.15  # absolute zero
HOTTEST_AMBIENT_DEGC, HOTTEST_LIMIT_DEGC = 200.0, 500.0  # of electronics: beyond, it is a slip
LARGEST_POWER_W = 1e5  # no product of one bar makes as much: more is milliwatts
GEOMETRY_U = 0.05  # relative, of a heat capacity from mass and specific heat: common practice
SAME_SUM = 1e-3  # relative: powers that a person has rounded to three figures add up
Ambient = Annotated[
    float, Field(gt=COLDEST_DEGC, le=HOTTEST_AMBIENT_DEGC, allow_inf_nan=False, strict=True)
]
Limit = Annotated[
    float, Field(gt=COLDEST_DEGC, le=HOTTEST_LIMIT_DEGC, allow_inf_nan=False, strict=True)
]


class _Conditions(Block):
    power_W: Annotated[Positive, Field(le=LARGEST_POWER_W)] | None = None  # of the only source
    power_W_u: NotNegative = 0.0
    ambient_degC: Ambient
    ambient_degC_u: NotNegative = 0.0
    ambient_max_degC: Ambient | None = None
    ambient_max_degC_u: NotNegative = 0.0
    path_fraction: Fraction = 1.0
    path_fraction_u: NotNegative = 0.0


class _Limits(Block):
    junction_degC: Limit | None = None
    case_touch_degC: Limit | None = None


class _Leak(Block):
    node: NodeName
    to: NodeName = AMBIENT
    R_K_per_W: Positive
    R_u_K_per_W: NotNegative | None = None
    R_K_per_W_u: NotNegative | None = None  # the same, as beside any other number


class _Source(Block):
    name: NodeName
    node: NodeName
    power_W: Annotated[Positive, Field(le=LARGEST_POWER_W)]
    path_fraction: Fraction = 1.0
    path_fraction_u: NotNegative = 0.0
    limit_degC: Limit | None = None


class _Top(Block):
    schema_: Literal[1] = Field(alias="schema")
    title: str = ""
    conditions: _Conditions
    limits: _Limits = Field(default_factory=lambda: _Limits.model_validate({}))
    stage: tuple[Any, ...] = Field(min_length=1)
    leak: tuple[_Leak, ...] = ()
    source: tuple[_Source, ...] = ()
    inner_air: dict[str, Annotated[float, Field(gt=0, le=LARGEST, strict=True)]] | None = None


_TABLES: dict[str, type[Block]] = {
    "conditions": _Conditions,
    "limits": _Limits,
    "leak": _Leak,
    "source": _Source,
}


def read_budget(path: str | Path) -> Budget:
    """Read and check budget.toml.

    Args:
        path: the file.

    Returns:
        The budget, of a chain or a tree.

    Raises:
        BudgetError: with file, stage, key, what is wrong and what would be right, on one line.
    """
    path = Path(path)
    remedy = "'heatrun new DIR' writes one to start from"
    return budget_from(read_tables(path, BudgetError, remedy), path)


def budget_from(tables: Mapping[str, Any], path: Path) -> Budget:
    """A budget from a TOML document's tables; `path` is named in errors. Raises BudgetError."""
    try:
        top = _Top.model_validate(dict(tables))
    except ValidationError as problem:
        place = first_error(problem)["loc"]
        model = _TABLES.get(str(place[0]), _Top) if len(place) > 1 else _Top
        names = [field.alias or name for name, field in model.model_fields.items()]
        complaint = first_complaint(problem, names, "every budget needs it")
        raise BudgetError(path, *complaint) from None
    sources = tuple(_source(block, top.conditions) for block in top.source)
    conditions = _conditions(top, sources, path)
    stages = tuple(
        _stage(block, _place(number, block), path)
        for number, block in enumerate(_with_ends(top.stage), 1)
    )
    check_stages(stages, path)
    if top.source:
        check_tree(stages, path)
    else:
        check_chain(stages, path)
    check_ends(stages, path)
    check_sources(sources, stages, path)
    leaks = tuple(_leak(block, number, stages, path) for number, block in enumerate(top.leak, 1))
    return Budget(
        title=top.title,
        path=path,
        conditions=conditions,
        limits=Limits(**top.limits.model_dump()),
        stages=stages,
        leaks=(*leaks, *_inner_air(top.inner_air or {}, stages, path)),
        named_sources=sources,
    )


def _source(block: _Source, conditions: _Conditions) -> Source:
    """A source; where it states no path share of its own, that of [conditions] is meant."""
    common = {"path_fraction", "path_fraction_u"}
    whose = block if common & block.model_fields_set else conditions
    return Source(**block.model_dump() | whose.model_dump(include=common))


def _conditions(top: _Top, sources: Sequence[Source], path: Path) -> Conditions:
    """The conditions; of several sources the power is their sum, the path share its mean."""
    stated = top.conditions.model_dump()
    power = sum(source.power_W for source in sources) or top.conditions.power_W
    if power is None:
        raise BudgetError(
            path, "conditions: power_W", "is missing", "the design power, or [[source]] blocks"
        )
    if sources:
        _check_sum(top.conditions.power_W, power, path)
    _check_u(path, "conditions: ", "power_W", power, top.conditions.power_W_u)
    places: list[tuple[str, _Conditions | _Source]] = [("conditions: ", top.conditions)]
    places += [(f"source {n} ('{one.name}'): ", one) for n, one in enumerate(top.source, 1)]
    for place, block in places:
        _check_u(path, place, "path_fraction", block.path_fraction, block.path_fraction_u)
    if sources:
        shares = [(source.power_W / power, source) for source in sources]
        stated["path_fraction"] = sum(part * source.path_fraction for part, source in shares)
        stated["path_fraction_u"] = math.hypot(
            *(part * source.path_fraction_u for part, source in shares)
        )
    return Conditions(**stated | {"power_W": power})


def _check_sum(whole: float | None, power: float, path: Path) -> None:
    """A power stated beside the sources' must be their sum. Raises BudgetError."""
    if whole is not None and not math.isclose(whole, power, rel_tol=SAME_SUM):
        raise BudgetError(
            path,
            "conditions: power_W",
            f"{whole:g} W, and the sources make {power:g} W: which is meant is not clear",
            "leave it out, or correct the power_W of the [[source]] blocks",
        )


def _inner_air(
    stated: Mapping[str, float], stages: tuple[Stage, ...], path: Path
) -> tuple[Leak, ...]:
    """The leaks through the air inside the product, from the areas of the faces it touches."""
    if not stated:
        return ()
    nodes = list(dict.fromkeys(stage.from_node for stage in stages))
    film, film_u = film_W_per_m2K()
    h = stated.get("h_W_per_m2K", film)
    h_u = stated.get("h_W_per_m2K_u", film_u / film * h)
    _check_u(path, "inner_air: ", "h_W_per_m2K", h, h_u)
    area_mm2: dict[str, float] = {}
    for key, value in stated.items():
        if key in ("h_W_per_m2K", "h_W_per_m2K_u"):
            continue
        if not key.endswith("_mm2"):
            raise BudgetError(path, f"inner_air: {key}", "is no key of it", '"<node>_mm2"')
        name = key.removesuffix("_mm2")
        # "board" is short for its only side with a node: board_back.
        sides = [node for node in nodes if node.startswith(f"{name}_")]
        node = name if name in nodes or len(sides) != 1 else sides[0]
        if node not in nodes:
            remedy = nearest(name, nodes)
            raise BudgetError(path, f"inner_air: {key}", f"no stage begins at '{name}'", remedy)
        area_mm2[node] = value
    if len(area_mm2) < 2:
        raise BudgetError(
            path, "inner_air", "has one face only", "the faces that exchange heat: two or more"
        )
    return inner_air_leaks(area_mm2, h, h_u)


def _leak(block: _Leak, number: int, stages: tuple[Stage, ...], path: Path) -> Leak:
    place, nodes = f"leak {number}", [stage.from_node for stage in stages]
    if block.R_u_K_per_W is not None and block.R_K_per_W_u is not None:
        raise BudgetError(path, place, "R_u_K_per_W and R_K_per_W_u are both given", "one of them")
    u = block.R_u_K_per_W or block.R_K_per_W_u or 0.0
    name = "R_u_K_per_W" if block.R_u_K_per_W else "R_K_per_W_u"
    _check_u(path, f"{place}: ", "R_K_per_W", block.R_K_per_W, u, name=name)
    if block.node not in nodes:
        raise BudgetError(
            path, place, f"no stage begins at node '{block.node}'", nearest(block.node, nodes)
        )
    if block.to not in (*nodes, AMBIENT):
        remedy = nearest(block.to, [*nodes, AMBIENT])
        raise BudgetError(path, f"{place}: to", f"no stage has a node '{block.to}'", remedy)
    if block.to == block.node:
        raise BudgetError(
            path, f"{place}: to", f"leads back to '{block.node}'", "another node, or ambient"
        )
    return Leak(block.node, block.R_K_per_W, u, block.to)


def _with_ends(blocks: tuple[Any, ...]) -> list[Any]:
    """Blocks with a missing `from` or `to` taken from the neighbour, where it states one.

    A stage without a name is called after its ends.
    """
    known = [dict(block) if isinstance(block, dict) else block for block in blocks]
    for i, block in enumerate(known):
        if not isinstance(block, dict):
            continue
        before = known[i - 1] if i > 0 and isinstance(known[i - 1], dict) else {}
        after = known[i + 1] if i + 1 < len(known) and isinstance(known[i + 1], dict) else {}
        if "from" not in block and "to" in before:
            block["from"] = before["to"]
        if "to" not in block and (i + 1 == len(known) or "from" in after):
            block["to"] = after.get("from", AMBIENT)
        if "from" in block and "to" in block:
            block.setdefault("name", f"{block['from']} to {block['to']}")
    return known


def _stage(block: Any, place: str, path: Path) -> Stage:
    if not isinstance(block, dict):
        raise BudgetError(path, place, "is not a table", "write it as a [[stage]] block")
    kind = block.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        problem = "is missing" if kind is None else f"unknown kind {shown(kind)}"
        raise BudgetError(path, f"{place}: kind", problem, nearest(str(kind), KINDS))
    model = KINDS[kind]
    for end, neighbour in (("from", "before"), ("to", "after")):
        if end not in block:
            problem = f"is missing, and no stage {neighbour} says it"
            raise BudgetError(path, f"{place}: {end}", problem, f'{end} = "<node>"')
    plain, stated_u = _split(block, model)
    try:
        keys = model.model_validate(plain)
    except ValidationError as error:
        inside = _table_of(model, str(first_error(error)["loc"][0]))
        names = [field.alias or name for name, field in inside.model_fields.items()]
        key, problem, remedy = first_complaint(error, names, f"kind '{kind}' needs it")
        raise BudgetError(path, f"{place}: {key}", problem, remedy) from None
    if contradiction := keys.problem():
        raise BudgetError(path, place, contradiction)
    common, capacity = set(StageKeys.model_fields), keys.capacity_J_per_K()
    uncertain = _uncertain(keys, stated_u, place, path)
    return Stage(
        name=keys.name,
        from_node=keys.from_node,
        to_node=keys.to_node,
        kind=kind,
        parameters={
            key: value
            for key, value in keys.model_dump().items()
            if key not in common and value is not None
        },
        contact=model.is_contact if keys.contact is None else keys.contact,
        limit_K_per_W=keys.limit_K_per_W,
        C_J_per_K=capacity,
        C_u_J_per_K=_capacity_u(capacity, keys, stated_u, place, path),
        keys=keys,
        uncertain=uncertain,
    )


def _table_of(model: type[StageKeys], key: str) -> type[Block]:
    """The table that a key of a kind holds (a screw, a face), or the kind itself."""
    return model.tables.get(key, model)


def _capacity_u(
    capacity: float | None,
    keys: StageKeys,
    stated_u: Mapping[str, Any],
    place: str,
    path: Path,
) -> float | None:
    """Standard uncertainty of the heat capacity [J/K], None where it is not known."""
    if capacity is None:
        return None
    if "C_J_per_K_u" in stated_u:
        _check_u(path, f"{place}: ", "C_J_per_K", capacity, float(stated_u["C_J_per_K_u"]))
        return float(stated_u["C_J_per_K_u"])
    if keys.C_J_per_K is not None:
        return None
    values = numbers(keys)
    stated = [
        float(stated_u[f"{key}_u"]) / values[key] for key in MATERIAL if f"{key}_u" in stated_u
    ]
    return capacity * (math.hypot(*stated) if stated else GEOMETRY_U)


def _split(block: dict[str, Any], model: type[StageKeys]) -> tuple[dict[str, Any], dict[str, Any]]:
    """A stage's keys, and the `x_u` beside its numeric keys."""
    bases = number_names(model) | {"C_J_per_K"}
    stated_u = {
        key: value for key, value in block.items() if key.endswith("_u") and key[:-2] in bases
    }
    return {key: value for key, value in block.items() if key not in stated_u}, stated_u


def _uncertain(
    keys: StageKeys, stated_u: Mapping[str, Any], place: str, path: Path
) -> dict[str, Uncertain]:
    """Every number of a stage with the uncertainty stated for it, or its kind's default."""
    values = numbers(keys)
    for key, u in stated_u.items():
        if isinstance(u, bool) or not isinstance(u, int | float) or not 0 <= u <= LARGEST:
            raise BudgetError(
                path,
                f"{place}: {key}",
                f"{shown(u)} will not do",
                "a standard uncertainty, 0 or more",
            )
        if key[:-2] not in values and (key != "C_J_per_K_u" or keys.capacity_J_per_K() is None):
            raise BudgetError(path, f"{place}: {key}", f"stands without {key[:-2]}", "give both")
    found: dict[str, Uncertain] = {}
    whole = {name for name, field in type(keys).model_fields.items() if field.annotation is int}
    from_parts = keys.parts_u()
    for key, value in values.items():
        if f"{key}_u" in stated_u:
            u = float(stated_u[f"{key}_u"])
            _check_u(path, f"{place}: ", key, value, u)
            found[key] = Uncertain(value, u)
        elif key in from_parts:
            found[key] = from_parts[key]
            _check_u(path, f"{place}: ", key, value, from_parts[key].u, name=keys.u_names.get(key))
        elif key not in whole | keys.unused() and key in type(keys).default_u:
            found[key] = Uncertain(value, value * type(keys).default_u[key], default=True)
        else:
            found[key] = Uncertain(value, 0.0)
    return found


def _check_u(
    path: Path, place: str, key: str, value: float, u: float, *, name: str | None = None
) -> None:
    """Refuse an uncertainty that is not below its value; `name` of its key, where not `key`_u."""
    if u >= value and u > 0:
        raise BudgetError(
            path,
            f"{place}{name or key + '_u'}",
            f"the uncertainty {u:g} is not below the value {value:g}",
            "a standard uncertainty in the unit of the value",
        )


def _place(number: int, block: Any) -> str:
    name = block.get("name") if isinstance(block, dict) else None
    return f"stage {number} ('{name}')" if isinstance(name, str) else f"stage {number}"
