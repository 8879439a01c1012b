"""The file of what was learnt: back as it went, and refused in one line where it is not one."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.learning.file import learned_document, read_earlier, read_learned
from fit.learning.identity import Identity
from fit.learning.learn import learn
from fit.records.results import to_json
from tests.fit.budget.test_learned import one_bar
from tests.fit.learning.test_learn import budget, lesson
from tests.support.schemas import hold_to_schema


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    own = budget(shared=0.5, share_u=0.02)
    return json.loads(to_json(learned_document(learn(own, [lesson(own, (1.1, 0.9))]))))


def written(tmp_path: Path, document: object) -> Path:
    path = tmp_path / "learned.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def test_it_comes_back_as_it_went(tmp_path) -> None:
    own = budget(shared=0.5, share_u=0.02)
    taught = learn(own, [lesson(own, (1.1, 0.9))])
    back = read_earlier(written(tmp_path, json.loads(to_json(learned_document(taught))))).learned
    assert back.inputs == taught.learned.inputs
    assert back.mean == pytest.approx(taught.learned.mean)
    assert back.covariance == pytest.approx(taught.learned.covariance, abs=1e-9)


def test_which_runs_taught_comes_back_with_it(tmp_path) -> None:
    own = budget(shared=0.5)
    known = Identity("runs/a", "4f1", "9c0")
    taught = learn(own, [replace(lesson(own), run=known), lesson(own, (3.0, 1.0))])
    back = read_earlier(written(tmp_path, json.loads(to_json(learned_document(taught)))))
    assert back.taught_by == (known,)
    assert [run.taught for run in back.runs] == [True, False]
    assert back.warnings == taught.warnings


def test_a_file_goes_on_with_all_its_runs_and_one_tried_again_is_there_once(tmp_path) -> None:
    own = budget(shared=0.5)
    good, bad, late = (replace(lesson(own), run=Identity(name, name)) for name in "abc")
    first = learn(own, [good, replace(bad, doubt="check finds air")])
    file = written(tmp_path, json.loads(to_json(learned_document(first))))
    document = learned_document(learn(own, [bad, late], earlier=read_earlier(file)))
    hold_to_schema(document)
    runs = [(run["run"], run["earlier"], run["taught"]) for run in document["runs"]]
    assert runs == [("a", True, True), ("b", False, True), ("c", False, True)]
    assert document["earlier"] == str(file)


def test_a_property_of_two_materials_under_one_name_comes_back(tmp_path, document) -> None:
    """Two products' stages of one name: R is 2 and 3 K/W."""
    both = json.loads(json.dumps(document))
    both["inputs"][1]["owner"] = both["inputs"][0]["owner"]
    inputs = read_earlier(written(tmp_path, both)).learned.inputs
    assert [(one.owner, one.number.value) for one in inputs[:2]] == [("inner", 2.0), ("inner", 3.0)]


def test_what_has_nothing_of_the_budget_is_refused(tmp_path, document) -> None:
    with pytest.raises(RecordError, match=r"none of its inputs is in budget\.toml"):
        read_learned(written(tmp_path, document), one_bar())


def test_it_keeps_its_schema(document) -> None:
    hold_to_schema(document)


def test_a_file_from_before_runs_had_identities_is_read(tmp_path, document) -> None:
    """And its runs are known by their paths."""
    old = json.loads(json.dumps(document))
    del old["earlier"]
    for run in old["runs"]:
        for key in ("id", "readings_sha256", "earlier"):
            del run[key]
    hold_to_schema(old)
    assert read_earlier(written(tmp_path, old)).taught_by == (Identity("run"),)


def test_after_is_what_a_unit_not_yet_built_has(document) -> None:
    """Measured 10 % high, half of it the process's: less than half of that is expected next."""
    (inner, *_) = document["inputs"]
    assert inner["before"] == pytest.approx({"value": 2.0, "u": 0.2})
    assert 2.05 < inner["after"]["value"] < 2.11


def delete(*path: Any) -> Callable[[Any], None]:
    def change(document: Any) -> None:
        inside = document
        for step in path[:-1]:
            inside = inside[step]
        del inside[path[-1]]

    return change


def put(value: Any, *path: Any) -> Callable[[Any], None]:
    def change(document: Any) -> None:
        inside = document
        for step in path[:-1]:
            inside = inside[step]
        inside[path[-1]] = value

    return change


def repeat_the_first_input(document: Any) -> None:
    document["inputs"][1] = document["inputs"][0]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (delete("schema"), "schema: is missing"),
        (put("heatrun.learned/2", "schema"), "schema: 'heatrun.learned/2' will not do"),
        (put(1, "colour"), "colour: unknown key"),
        (put("2.0", "inputs", 0, "value"), "inputs: 1: value: '2.0' will not do"),
        (put(-1.0, "inputs", 0, "u"), "inputs: 1: u: -1.0 will not do"),
        (put(1e9, "inputs", 0, "score"), "inputs: 1: score"),
        (put([], "inputs"), "inputs: an empty list will not do"),
        (delete("covariance", 0), "covariance: is not 3 rows of 3"),
        (put(5.0, "covariance", 0, 1), "covariance: is not symmetric"),
        (put(-1.0, "covariance", 0, 0), "covariance: is of no set of numbers"),
        (put(1e200, "covariance", 0, 0), "covariance: holds a number beyond all measure"),
        (repeat_the_first_input, "inputs: one of them stands there twice"),
    ],
)
def test_what_is_wrong_is_one_line_with_its_place(tmp_path, document, change, said) -> None:
    changed = json.loads(json.dumps(document))
    change(changed)
    with pytest.raises(RecordError) as raised:
        read_earlier(written(tmp_path, changed))
    assert said in str(raised.value)
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize("text", ["", "[]", "{", "NaN", '{"schema": NaN}', "[" * 100_000])
def test_what_is_no_such_file_is_one_line(tmp_path, text) -> None:
    path = tmp_path / "learned.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match="heatrun learn RUN"):
        read_earlier(path)


def test_a_file_that_is_not_there_says_how_to_get_one(tmp_path) -> None:
    with pytest.raises(RecordError, match="no such file"):
        read_earlier(tmp_path / "absent.json")


@settings(max_examples=60, deadline=None)
@given(place=st.integers(0, 10_000), byte=st.integers(0, 255))
def test_a_damaged_file_is_refused_or_read(tmp_path_factory, document, place, byte) -> None:
    data = bytearray(json.dumps(document).encode())
    data[place % len(data)] = byte
    path = tmp_path_factory.mktemp("damaged") / "learned.json"
    path.write_bytes(bytes(data))
    try:
        found = read_earlier(path).learned
    except RecordError:
        return
    assert np.isfinite(found.unit_factors(10)).all()
