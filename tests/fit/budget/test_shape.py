"""A budget of several sources: which trees are taken, and what is refused in which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from fit.budget import read_budget
from fit.budget.model import Budget
from fit.errors import BudgetError
from tests.support.made_trees import BUDGET, changed, write_budget

STAGE = """
[[stage]]
name = "{name}"
from = "{start}"
to = "{end}"
kind = "stated"
R_K_per_W = 2.0
"""
SOURCE = """
[[source]]
name = "{name}"
node = "{node}"
power_W = 1.0
"""
SURFACE = """
[[stage]]
name = "skin"
from = "{start}"
to = "{end}"
kind = "surface"
emissivity = 0.9
faces = [{{ area_mm2 = 30000, orientation = "vertical" }}]
"""
CHAIN = "schema = 1\n[conditions]\npower_W = 4.0\nambient_degC = 25.0\n"


def stage(name: str, start: str, end: str) -> str:
    return STAGE.format(name=name, start=start, end=end)


def source(name: str, node: str) -> str:
    return SOURCE.format(name=name, node=node)


def read(folder: Path, text: str) -> Budget:
    return read_budget(write_budget(folder, text))


CASES = {
    "a second way out": (
        changed() + stage("short cut", "tab_1", "bar"),
        "stage 7 ('short cut'): to: 'tab_1' has a second way out: stage 'vias 1' leads to 'back_1'",
        'to = "back_1" beside it, or a [[leak]]',
    ),
    "a way that ends": (
        changed(('to = "ambient"', 'to = "lid"')),
        "stage 1 ('vias 1'): to: the way ends at 'lid'",
        "a stage from 'lid' on; the last goes to \"ambient\"",
    ),
    "a loop": (
        changed(('to = "ambient"', 'to = "bar"')),
        "stage 1 ('vias 1'): to: the way comes back to 'bar'",
        'each node once, from its source to "ambient"',
    ),
    "a stage to itself": (
        changed(('to = "case"', 'to = "bar"')),
        "stage 1 ('vias 1'): to: the way comes back to 'bar'",
        "each node once",
    ),
    "a name twice": (
        changed(('name = "pad 2"', 'name = "pad 1"')),
        "stage 4 ('pad 1'): has the name of an earlier stage",
        "its own name",
    ),
    "heat from ambient": (
        changed() + stage("sun", "ambient", "case"),
        "from: no heat comes from ambient",
        'from = "<node>"',
    ),
    "a surface inside": (
        changed() + SURFACE.format(start="lid", end="case") + source("lamp", "lid"),
        "stage 7 ('skin'): to: a surface gives its heat to the air",
        'to = "ambient"',
    ),
    "a source's name twice": (
        changed(('name = "driver"', 'name = "charger"')),
        "source 2 ('charger'): has the name of an earlier source",
        "its own name",
    ),
    "a source called supply": (
        changed(('name = "driver"', 'name = "supply"')),
        "source 2 ('supply'): name: is what readings of all sources together are called",
        "another name",
    ),
    "a source at ambient": (
        changed(('node = "tab_2"', 'node = "ambient"')),
        "source 2 ('driver'): node: is ambient, which no part heats",
        "a node",
    ),
    "a source at no node": (
        changed(('node = "tab_2"', 'node = "tb_2"')),
        "source 2 ('driver'): node: no stage begins at node 'tb_2'",
        "did you mean 'tab_2'?",
    ),
    "a stage that nothing heats": (
        changed() + stage("vias 3", "tab_3", "bar"),
        "stage 7 ('vias 3'): from: no source heats 'tab_3': the stage carries no heat",
        "a [[source]] there, or leave the stage out",
    ),
    "a share of more than all": (
        changed(("limit_degC = 105.0", "path_fraction = 1.5")),
        "path_fraction",
        "1.5",
    ),
    "a share that is less sure than large": (
        changed(("limit_degC = 105.0", "path_fraction = 0.5\npath_fraction_u = 0.6")),
        "source 1 ('charger'): path_fraction_u: the uncertainty 0.6 is not below the value 0.5",
        "a standard uncertainty",
    ),
    "a source without power": (
        changed(("power_W = 4.0\n", "")),
        "power_W",
        "is missing",
    ),
    "a source whose key is misspelt": (
        changed(("limit_degC = 105.0", "limit_dgC = 105.0")),
        "limit_dgC",
        "did you mean 'limit_degC'?",
    ),
    "a source whose name is no column": (
        changed(('name = "driver"', 'name = "LED driver"')),
        "name: 'LED driver'",
        "lower-case letters",
    ),
    "branches without sources": (
        CHAIN + stage("a", "one", "bar") + stage("b", "two", "bar") + stage("c", "bar", "ambient"),
        "stage 2 ('b'): from: 'two' is not where stage 'a' ends ('bar')",
        "of several parts, write a [[source]] block for each part that makes heat",
    ),
    "a chain out of order": (
        CHAIN + stage("a", "tab", "bar") + stage("c", "lid", "ambient") + stage("b", "bar", "lid"),
        "stage 2 ('c'): from: 'lid' is not where stage 'a' ends ('bar')",
        'from = "bar", or put the stages in the order of the heat path',
    ),
    "a chain that comes back": (
        CHAIN + stage("a", "tab", "bar") + stage("b", "bar", "tab"),
        "stage 2 ('b'): to: the path comes back to 'tab'",
        "each node once, from the heat source to ambient",
    ),
    "a chain that ends inside": (
        CHAIN + stage("a", "tab", "bar"),
        "stage 1 ('a'): to: the path ends at 'bar'",
        'the last stage goes to "ambient"',
    ),
    "no power at all": (
        "schema = 1\n[conditions]\nambient_degC = 25.0\n" + stage("a", "tab", "ambient"),
        "conditions: power_W: is missing",
        "the design power, or [[source]] blocks",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_a_shape_that_cannot_be_is_refused_on_one_line_with_its_remedy(
    tmp_path: Path, case: str
) -> None:
    text, says, remedy = CASES[case]
    with pytest.raises(BudgetError) as caught:
        read(tmp_path, text)
    said = str(caught.value)
    assert "\n" not in said
    assert said.startswith(str(tmp_path / "budget.toml"))
    assert says in said
    assert remedy in said.partition(says)[2]


def test_stages_of_a_tree_may_stand_in_any_order(tmp_path: Path) -> None:
    head, *blocks = BUDGET.partition("[[leak]]")[0].split("[[stage]]")
    turned = "[[stage]]".join([head, *(f"{one}\n" for one in reversed(blocks))])
    budget = read(tmp_path, turned)
    assert budget.tree.path("tab_2") == ("tab_2", "back_2", "bar", "case", "ambient")
    assert not budget.is_chain


def test_stages_side_by_side_are_no_second_way_out(tmp_path: Path) -> None:
    budget = read(tmp_path, changed() + stage("screw 1", "back_1", "bar"))
    assert budget.joined.path("back_1") == ("back_1", "bar", "case", "ambient")
    assert len(budget.tree.links) == len(budget.joined.links) + 1


def test_stages_side_by_side_on_a_chain_follow_one_another(tmp_path: Path) -> None:
    chain = CHAIN + stage("a", "tab", "case") + stage("b", "tab", "case")
    budget = read(tmp_path, chain + stage("c", "case", "ambient"))
    assert budget.is_chain
    assert budget.joined.links == (("tab", "case"), ("case", "ambient"))


def test_one_named_source_at_the_first_node_is_still_a_chain(tmp_path: Path) -> None:
    stages = stage("a", "tab", "case") + stage("b", "case", "ambient")
    text = "schema = 1\n[conditions]\nambient_degC = 25.0\n" + stages + source("lamp", "tab")
    assert read(tmp_path, text).is_chain


def test_two_sources_on_one_path_are_no_chain(tmp_path: Path) -> None:
    stages = stage("a", "tab", "case") + stage("b", "case", "ambient")
    text = "schema = 1\n[conditions]\nambient_degC = 25.0\n" + stages
    assert not read(tmp_path, text + source("lamp", "tab") + source("fan", "case")).is_chain


def test_power_and_share_of_the_whole_are_those_of_its_sources(tmp_path: Path) -> None:
    """4 W of which 0.9, 2.5 W of which 0.8: (3.6 + 2.0)/6.5."""
    text = changed(
        ("power_W = 4.0", "power_W = 4.0\npath_fraction = 0.9"),
        ("power_W = 2.5", "power_W = 2.5\npath_fraction = 0.8"),
    )
    conditions = read(tmp_path, text).conditions
    assert conditions.power_W == pytest.approx(6.5)
    assert conditions.path_fraction == pytest.approx(5.6 / 6.5)


def with_conditions(*lines: str) -> str:
    return changed(("[conditions]\n", "\n".join(("[conditions]", *lines, ""))))


def test_a_power_of_the_whole_that_is_not_the_sum_of_its_sources_is_refused(
    tmp_path: Path,
) -> None:
    with pytest.raises(BudgetError) as refused:
        read(tmp_path, with_conditions("power_W = 5.0"))
    assert str(refused.value).endswith(
        "conditions: power_W: 5 W, and the sources make 6.5 W: which is meant is not clear; leave"
        " it out, or correct the power_W of the [[source]] blocks"
    )


def test_a_power_of_the_whole_that_is_the_sum_of_its_sources_is_taken(tmp_path: Path) -> None:
    assert read(tmp_path, with_conditions("power_W = 6.5")).conditions.power_W == 6.5


def test_a_source_without_a_path_share_has_that_of_the_conditions(tmp_path: Path) -> None:
    text = with_conditions("path_fraction = 0.9", "path_fraction_u = 0.02")
    text = text.replace("power_W = 2.5", "power_W = 2.5\npath_fraction = 0.8")
    sources = read(tmp_path, text).sources
    assert [source.path_fraction for source in sources] == [0.9, 0.8]
    assert [source.path_fraction_u for source in sources] == [0.02, 0.0]
