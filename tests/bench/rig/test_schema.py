"""rig.toml: what is accepted, and the one line for everything that is not."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import Any

import pytest

from bench.rig.schema import Rig, read_rig, rig_from
from fit.errors import RigError
from tests.support.good_rig import good


def test_a_good_rig_is_read_with_its_defaults() -> None:
    rig = rig_from(good(), "rig.toml")
    assert rig.nodes == ("tab", "case")
    assert rig.switching(rig.sources[0]) is rig.instrument[1]
    assert rig.sequence.soak_s == 60
    assert rig.guard.silence_s == 10


def test_the_document_of_a_rig_makes_the_same_rig() -> None:
    rig = rig_from(good(), "rig.toml")
    assert rig_from(rig.document(), "again") == rig


def test_the_rig_written_by_new_is_a_good_rig() -> None:
    text = (files("heatrun_data") / "charge_controller" / "rig.toml").read_text(encoding="utf-8")
    rig = rig_from(tomllib.loads(text), "rig.toml")
    assert rig.nodes == ("tab", "board_back", "bar", "case", "ambient")


def test_a_rig_cannot_be_changed_after_reading() -> None:
    rig = rig_from(good(), "rig.toml")
    with pytest.raises(ValueError, match="frozen"):
        rig.title = "other"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"schema = = 1", "line 1"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (b"", "instrument: is missing"),
        (b"schema = 1\nschema = 1", "Cannot overwrite a value"),
        (b"a = " + b"[" * 100_000, "nested too deeply"),
        (b"a = " + b"9" * 6000, "6000 digits"),
    ],
)
def test_a_file_that_is_no_rig_is_named(tmp_path: Any, content: bytes, expected: str) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    with pytest.raises(RigError, match=expected) as caught:
        read_rig(path)
    assert str(path) in str(caught.value)


def test_a_rig_that_is_not_there_or_a_folder_is_named(tmp_path: Any) -> None:
    with pytest.raises(RigError, match="no such file"):
        read_rig(tmp_path / "rig.toml")
    with pytest.raises(RigError, match="is a folder"):
        read_rig(tmp_path)


def test_an_instrument_that_knows_its_own_fields_is_not_second_guessed() -> None:
    tables = good()
    del tables["instrument"][0]["fields"]
    tables["instrument"][0]["format"] = "json"
    assert isinstance(rig_from(tables, "rig.toml"), Rig)


def test_two_names_of_one_device_are_one_port(tmp_path: Any) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    link = tmp_path / "by-id"
    link.symlink_to(device)
    tables = good()
    tables["instrument"][0]["port"] = str(device)
    tables["instrument"][1]["port"] = str(link)
    with pytest.raises(RigError, match="has the same port as instrument 1"):
        rig_from(tables, "rig.toml")
