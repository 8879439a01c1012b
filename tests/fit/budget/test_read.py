"""budget.toml: what is taken, and what is refused in which words."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.budget import predict, read_budget
from fit.budget.model import Budget, Conditions
from fit.budget.read import MATERIAL, budget_from
from fit.budget.stages.registry import KINDS
from fit.errors import BudgetError

GOOD = """
schema = 1
title = "test"
[conditions]
power_W = 4.2
ambient_degC = 25.0
path_fraction = 0.97
path_fraction_u = 0.02
[limits]
junction_degC = 125.0
[[stage]]
name = "junction to tab"
from = "junction"
to = "tab"
kind = "stated"
R_K_per_W = 1.5
R_u_K_per_W = 0.15
[[stage]]
name = "pad"
from = "tab"
to = "case"
kind = "pad"
contact = true
thickness_mm = 0.5
area_mm2 = 308
conductivity_W_per_mK = 3.0
limit_K_per_W = 0.75
[[stage]]
name = "case to air"
from = "case"
to = "ambient"
kind = "stated"
R_K_per_W = 3.0
R_tolerance = 0.10
"""


def read(folder: Path, text: str) -> Budget:
    path = folder / "budget.toml"
    path.write_text(text, encoding="utf-8")
    return read_budget(path)


def conditions_of(**stated: float) -> Conditions:
    """Of the good budget with these conditions in place of its own."""
    return budget_from(tomllib.loads(GOOD) | {"conditions": stated}, Path("b")).conditions


def complaint(folder: Path, *change: tuple[str, str]) -> str:
    """What is said of the good budget with parts replaced."""
    text = GOOD
    for old, new in change:
        assert old in text
        text = text.replace(old, new, 1)
    with pytest.raises(BudgetError) as caught:
        read(folder, text)
    return str(caught.value)


def test_stages_join_up_from_source_to_ambient(tmp_path: Path) -> None:
    assert read(tmp_path, GOOD).nodes == ("junction", "tab", "case", "ambient")


def test_ends_left_out_are_taken_from_the_neighbours(tmp_path: Path) -> None:
    text = GOOD.replace('from = "tab"\nto = "case"\n', "").replace(
        'from = "case"\nto = "ambient"\n', 'from = "case"\n'
    )
    assert read(tmp_path, text).nodes == ("junction", "tab", "case", "ambient")


def test_end_that_no_neighbour_says_is_asked_for(tmp_path: Path) -> None:
    ends = ('from = "tab"\nto = "case"\n', ""), ('from = "case"\nto = "ambient"\n', "")
    assert "stage 2 ('pad'): to: is missing, and no stage after says it" in complaint(
        tmp_path, *ends
    )


def test_stage_without_a_name_is_called_after_its_ends(tmp_path: Path) -> None:
    assert read(tmp_path, GOOD.replace('name = "pad"\n', "")).stages[1].name == "tab to case"


@pytest.mark.parametrize(
    ("line", "contact"), [("", True), ("contact = false\n", False), ("contact = true\n", True)]
)
def test_pad_is_a_contact_unless_it_says_not(tmp_path: Path, line: str, contact: bool) -> None:
    stated = read(tmp_path, GOOD.replace("contact = true\n", line))
    assert [stage.contact for stage in stated.stages] == [False, contact, False]


def test_capacity_from_mass_is_surer_than_one_stated_bare(tmp_path: Path) -> None:
    material = "area_mm2 = 308\ndensity_kg_per_m3 = 2000\nspecific_heat_J_per_kgK = 1000\n"
    pad = read(tmp_path, GOOD.replace("area_mm2 = 308\n", material)).stages[1]
    assert pad.C_J_per_K == pytest.approx(0.5 * 308e-9 * 1e3 * 2000)
    assert pad.C_u_J_per_K == pytest.approx(0.05 * pad.C_J_per_K)


def demonstration_text() -> str:
    path = files("heatrun_data") / "charge_controller" / "budget.toml"
    return path.read_text(encoding="utf-8")


COMMENTED_CODE = re.compile(r"^# (\[\[\w+\]\]|\w+ = .*)$", re.MULTILINE)


def commented_examples() -> dict[str, list[dict[str, object]]]:
    """The blocks that the demonstration's budget shows in comments."""
    shown = demonstration_text().split("# Other kinds of stage")[1]
    return tomllib.loads("\n".join(COMMENTED_CODE.findall(shown)))


def test_example_of_every_further_kind_is_shown() -> None:
    shown = tomllib.loads(demonstration_text())["stage"] + commented_examples()["stage"]
    assert {stage["kind"] for stage in shown} == set(KINDS)


@pytest.mark.parametrize("example", commented_examples()["stage"], ids=lambda e: str(e["kind"]))
def test_examples_in_comments_are_good_stages(example: dict[str, object]) -> None:
    last = {"from": "end", "to": "ambient", "kind": "stated", "R_K_per_W": 3.0}
    tables = {
        "schema": 1,
        "conditions": {"power_W": 4.2, "ambient_degC": 25.0},
        "stage": [{**example, "from": "start", "to": "end"}, last],
    }
    assert predict(budget_from(tables, Path("budget.toml"))).warnings == ()


def test_uncertainty_beside_a_key_is_taken(tmp_path: Path) -> None:
    stated = read(tmp_path, GOOD.replace("area_mm2 = 308", "area_mm2 = 308\narea_mm2_u = 9"))
    area = stated.stages[1].uncertain["area_mm2"]
    assert (area.value, area.u, area.default) == (308.0, 9.0, False)


def test_conditions_are_exact_where_nothing_is_said_and_else_as_unsure_as_stated() -> None:
    bare = conditions_of(power_W=4.2, ambient_degC=25.0)
    assert (bare.power_W_u, bare.ambient_degC_u, bare.ambient_max_degC_u) == (0, 0, 0)
    assert (bare.path_fraction, bare.path_fraction_u) == (1, 0)
    u = {"power_W_u": 0.1, "ambient_degC_u": 0.5, "ambient_max_degC_u": 0.7}
    told = conditions_of(power_W=4.2, ambient_degC=25.0, ambient_max_degC=40.0, **u)
    assert (told.power_W_u, told.ambient_degC_u, told.ambient_max_degC_u) == (0.1, 0.5, 0.7)


def test_tolerance_is_rectangular(tmp_path: Path) -> None:
    R = read(tmp_path, GOOD).stages[2].uncertain["R_K_per_W"]
    assert (R.shape, R.u) == ("rectangular", pytest.approx(0.3 / 3**0.5))


def test_default_uncertainty_is_marked(tmp_path: Path) -> None:
    assert read(tmp_path, GOOD).stages[1].uncertain["thickness_mm"].default


def test_budget_of_the_demonstration_is_good() -> None:
    with as_file(files("heatrun_data") / "charge_controller" / "budget.toml") as path:
        assert read_budget(path).nodes[0] == "junction"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("thickness_mm = 0.5", "thickness_mm = -0.5", ("stage 2 ('pad')", "thickness_mm", "-0.5")),
        ("area_mm2 = 308", "area_mm2 = 0", ("stage 2 ('pad')", "area_mm2", "0 will not do")),
        ("area_mm2 = 308", 'area_mm2 = "308"', ("area_mm2", "without quotes")),
        ("area_mm2 = 308", "area_mm = 308", ("unknown key", "did you mean 'area_mm2'?")),
        ("area_mm2 = 308", "area_cm2 = 3.08", ("area_cm2", "area_mm2")),
        ("area_mm2 = 308", "area_mm2 = nan", ("area_mm2",)),
        ("area_mm2 = 308", "area_mm2 = 308\narea_mm2_u = 400", ("area_mm2_u", "not below")),
        ("area_mm2 = 308", "area_mm2 = 308\narea_mm2_u = -1", ("area_mm2_u",)),
        ("area_mm2 = 308\n", "", ("stage 2 ('pad'): area_mm2", "is missing")),
        ('kind = "pad"', 'kind = "pat"', ("unknown kind 'pat'", "did you mean 'pad'?")),
        ('kind = "pad"\n', "", ("kind", "is missing", "via_array")),
        (
            'from = "tab"',
            'from = "lid"',
            ("'lid' is not where", "'junction to tab'", 'from = "tab"'),
        ),
        ('to = "ambient"', 'to = "air"', ("ends at 'air'", '"ambient"')),
        ('to = "ambient"', 'to = "tab"', ("comes back to 'tab'",)),
        ('name = "pad"', 'name = "junction to tab"', ("name of an earlier stage",)),
        ("R_u_K_per_W = 0.15", "R_u_K_per_W = 1.6", ("R_u_K_per_W", "not below", "1.5")),
        ("power_W = 4.2", "power_W = 1e6", ("conditions: power_W", "100000")),
        ("ambient_degC = 25.0", "ambient_degC = 1e300", ("conditions: ambient_degC", "200")),
        ("power_W = 4.2", "power_W = 4.2\nambient_max_degC = 5000", ("ambient_max_degC", "200")),
        ("[limits]", "[limits]\ncase_touch_degC = 1e9", ("limits: case_touch_degC", "500")),
        ('name = "pad"', 'name = "pad\\nor not"', ("stage 2", "name", "one line")),
        ('from = "tab"', 'from = "Tab"', ("from: 'Tab'", "lower-case letters")),
        ("R_tolerance = 0.10", "R_tolerance = 10", ("0.10 for 10 %",)),
        ("schema = 1", "schema = 2", ("schema",)),
        ("schema = 1\n", "", ("schema", "is missing", "'schema = 1'")),
        ("power_W = 4.2", "power_W = 0", ("conditions: power_W",)),
        ("power_W = 4.2", "power = 4.2", ("conditions: power", "unknown key", "power_W")),
        ("path_fraction = 0.97", "path_fraction = 1.2", ("path_fraction", "1.2")),
        ("[limits]", "[limit]", ("limit", "did you mean 'limits'?")),
        ("title =", "title ", ("is not TOML", "line 3")),
        ("power_W = 4.2", "power_W = 4,2", ("is not TOML", "numbers take a point")),
        ("area_mm2 = 308", "area_mm2 = true", ("area_mm2: true will not do",)),
        ("contact = true", 'contact = "yes"', ("contact: 'yes' will not do", "true or false")),
        ("area_mm2 = 308", "area_mm2 = 308\narea_mm2_u = inf", ("area_mm2_u",)),
        ("area_mm2 = 308", "area_mm2 = 308\nC_J_per_K_u = 1", ("stands without C_J_per_K",)),
        (
            "area_mm2 = 308",
            "area_mm2 = 308\nC_J_per_K = 3\nC_J_per_K_u = 5",
            ("C_J_per_K_u", "not below the value 3"),
        ),
        (
            'from = "junction"\n',
            "",
            ("stage 1 ('junction to tab'): from: is missing", 'from = "<node>"'),
        ),
        (
            'to = "case"\nkind = "pad"',
            'to = "case"\nkind = "pad"\nscrew = { cuont = 2 }',
            ("screw: cuont", "did you mean 'count'?"),
        ),
        ("area_mm2 = 308", "area_mm2 = 308\ndensity_kg_per_m3 = 2e3", ("go together",)),
    ],
)
def test_bad_budget_is_refused_with_its_place(
    tmp_path: Path, old: str, new: str, words: tuple[str, ...]
) -> None:
    said = complaint(tmp_path, (old, new))
    assert "\n" not in said
    assert [word for word in ("budget.toml", *words) if word not in said] == []


def test_missing_budget_says_how_to_start(tmp_path: Path) -> None:
    with pytest.raises(BudgetError, match="no such file or folder; 'heatrun new DIR'"):
        read_budget(tmp_path / "none.toml")


def test_leak_at_an_unknown_node_is_refused(tmp_path: Path) -> None:
    leak = '[[leak]]\nnode = "cse"\nR_K_per_W = 90.0\n'
    assert "did you mean 'case'?" in complaint(tmp_path, ("R_tolerance = 0.10\n", leak))


@pytest.mark.parametrize(
    ("to", "said"),
    [
        ('"cse"', "leak 1: to: no stage has a node 'cse'; did you mean 'case'?"),
        ('"tab"', "leak 1: to: leads back to 'tab'"),
    ],
)
def test_leak_to_no_other_node_is_refused(tmp_path: Path, to: str, said: str) -> None:
    leak = f'[[leak]]\nnode = "tab"\nto = {to}\nR_K_per_W = 90.0\n'
    assert said in complaint(tmp_path, ("R_tolerance = 0.10\n", leak))


def test_leak_with_its_uncertainty_stated_twice_is_refused(tmp_path: Path) -> None:
    leak = '[[leak]]\nnode = "tab"\nR_K_per_W = 90.0\nR_u_K_per_W = 1.0\nR_K_per_W_u = 1.0\n'
    said = complaint(tmp_path, ("R_tolerance = 0.10\n", leak))
    assert "R_u_K_per_W and R_K_per_W_u are both given" in said


def test_leak_to_a_node_of_the_path_is_taken(tmp_path: Path) -> None:
    leak = '[[leak]]\nnode = "junction"\nto = "case"\nR_K_per_W = 90.0\nR_u_K_per_W = 9.0\n'
    (taken,) = read(tmp_path, GOOD + leak).leaks
    assert (taken.node, taken.to_node, taken.R_u_K_per_W) == ("junction", "case", 9.0)


@given(text=st.text(max_size=200))
def test_any_text_is_a_budget_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = tmp_path_factory.mktemp("any") / "budget.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises(BudgetError) as caught:
        read_budget(path)
    assert "\n" not in str(caught.value)


ANYTHING = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=5),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)


@given(data=st.data(), kind=st.sampled_from(sorted(KINDS)), value=ANYTHING)
def test_any_value_of_any_key_is_taken_or_refused_in_one_line(
    data: st.DataObject, kind: str, value: object
) -> None:
    examples = tomllib.loads(demonstration_text())["stage"] + commented_examples()["stage"]
    good = next(example for example in examples if example["kind"] == kind)
    names = [field.alias or name for name, field in KINDS[kind].model_fields.items()]
    key = data.draw(st.sampled_from([*names, *(f"{name}_u" for name in names)]))
    tables = {
        "schema": 1,
        "conditions": {"power_W": 4.2, "ambient_degC": 25.0},
        "stage": [{**good, "from": "case", "to": "ambient", key: value}],
    }
    try:
        prediction = predict(budget_from(tables, Path("budget.toml")), draws=20)
    except BudgetError as error:
        said = str(error)
    else:
        said = "budget.toml: stage 1" if np.isfinite(prediction.R_K_per_W).all() else ""
    assert "budget.toml: stage 1" in said
    assert "\n" not in said


@given(
    value=ANYTHING,
    key=st.sampled_from(["power_W", "ambient_degC", "path_fraction", "path_fraction_u"]),
)
def test_any_value_of_a_condition_is_taken_or_refused(value: object, key: str) -> None:
    tables = {
        "schema": 1,
        "conditions": {"power_W": 4.2, "ambient_degC": 25.0, key: value},
        "stage": [
            {"name": "all", "from": "tab", "to": "ambient", "kind": "stated", "R_K_per_W": 9.0}
        ],
    }
    try:
        budget = budget_from(tables, Path("budget.toml"))
    except BudgetError as error:
        said = str(error)
    else:
        said = f"{key} is a number" if isinstance(getattr(budget.conditions, key), float) else ""
    assert key.removesuffix("_u") in said


BAR = {
    "name": "bar", "from": "case", "to": "ambient", "kind": "bar", "length_mm": 40,
    "area_mm2": 200, "conductivity_W_per_mK": 167, "density_kg_per_m3": 2700,
    "specific_heat_J_per_kgK": 900,
}  # fmt: skip
BAR_J_PER_K = 8e-6 * 2700 * 900


def capacity_u(**keys: object) -> float | None:
    conditions = {"power_W": 4.0, "ambient_degC": 25.0}
    tables = {"schema": 1, "conditions": conditions, "stage": [{**BAR, **keys}]}
    return budget_from(tables, Path("budget.toml")).stages[0].C_u_J_per_K


def test_capacity_from_mass_is_known_to_a_twentieth_where_nothing_is_stated() -> None:
    assert capacity_u() == pytest.approx(0.05 * BAR_J_PER_K)


def test_capacity_from_mass_is_as_sure_as_what_it_is_made_of() -> None:
    """Relative parts of a product add in squares (JCGM 100, 5.1.6): 3 % and 4 % are 5."""
    found = capacity_u(density_kg_per_m3_u=81.0, specific_heat_J_per_kgK_u=36.0)
    assert found == pytest.approx(0.05 * BAR_J_PER_K)
    assert capacity_u(density_kg_per_m3_u=81.0) == pytest.approx(0.03 * BAR_J_PER_K)


def test_a_capacity_stated_bare_is_of_unknown_doubt_and_one_with_its_own_has_that() -> None:
    assert capacity_u(C_J_per_K=20.0) is None
    assert capacity_u(C_J_per_K=20.0, C_J_per_K_u=3.0) == 3.0


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"length_mm_u": 40.0}, "length_mm_u: the uncertainty 40 is not below the value 40"),
        ({"length_mm_u": -1.0}, "length_mm_u: -1.0 will not do"),
        ({"length_mm_u": True}, "length_mm_u: true will not do"),
        ({"length_mm_u": 2e12}, "will not do"),
        ({"C_J_per_K_u": 20.0}, "C_J_per_K_u: the uncertainty 20 is not below the value 19.44"),
    ],
)
def test_an_uncertainty_that_cannot_be_is_refused(keys: dict[str, object], said: str) -> None:
    with pytest.raises(BudgetError, match=re.escape(said)):
        capacity_u(**keys)


def test_an_uncertainty_of_nothing_is_none() -> None:
    assert capacity_u(length_mm_u=0, density_kg_per_m3_u=0.0) == 0.0


def test_parameters_of_a_stage_are_its_kinds_own_keys_that_are_set() -> None:
    conditions = {"power_W": 4.0, "ambient_degC": 25.0}
    bare = {key: value for key, value in BAR.items() if key not in MATERIAL}
    tables = {"schema": 1, "conditions": conditions, "stage": [bare]}
    assert budget_from(tables, Path("budget.toml")).stages[0].parameters == {
        "length_mm": 40, "area_mm2": 200, "conductivity_W_per_mK": 167
    }  # fmt: skip
