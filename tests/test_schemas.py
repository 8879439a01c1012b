"""The JSON Schemas in the package: of every document, kept by every document, and no empty words.

Whatever the other tests have heatrun write as JSON is held to them as well (`tests/conftest.py`).
"""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest
from jsonschema import ValidationError

from tests.support.schemas import hold_to_schema, validator
from tests.test_contract import call, folder, readings  # noqa: F401  (a fixture)

ROOT = Path(__file__).parents[1]
NAMES = sorted(file.name[:-5] for file in files("fit.schemas").iterdir() if ".json" in file.name)


def test_every_document_named_in_the_source_has_a_schema():
    source = "".join(
        file.read_text(encoding="utf-8")
        for room in ("fit", "bench")
        for file in (ROOT / room).rglob("*.py")
    )
    assert set(re.findall(r'"heatrun\.(\w+)/1"', source)) == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_schema_is_one_and_names_its_document(name):
    schema = validator(f"heatrun.{name}/1").schema
    assert schema["properties"]["schema"] == {"const": f"heatrun.{name}/1"}
    with pytest.raises(ValidationError):
        hold_to_schema({"schema": f"heatrun.{name}/1"})


def test_commands_print_what_the_schemas_say(folder, capsys):  # noqa: F811
    profile = folder / "profile.csv"
    profile.write_text("t_s,power_W\n0,4\n60,0\n300,0\n")
    Path("bad.csv").write_text("nonsense\n")
    for name in ("second", "third"):
        Path(f"{name}.csv").write_text(readings(pad=1.5))
    budget = ("--budget", "budget.toml")
    for words in (
        ("budget", "budget.toml"),
        ("fit", "sound.csv"),
        ("check", "sound.csv", *budget),
        ("check", "sound.csv", "second.csv", "bad.csv", *budget),
        ("compare", "sound.csv", "second.csv"),
        ("compare", "sound.csv", "second.csv", "third.csv", "--against", "torque_Nm=1,2,3"),
        ("rate", "sound.csv", *budget, "--profile", profile),
    ):
        document = json.loads(call(capsys, *words, "--json")[1])
        assert document["schema"].startswith("heatrun.")
        hold_to_schema(document)
