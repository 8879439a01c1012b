"""run.json and events.jsonl as values: what they state, and what they cannot."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fit.errors import RecordError
from fit.records.events import EndReason, EventName, Phase, event_from
from fit.records.metadata import metadata_from, read_metadata, run_document

PATH = Path("run.json")
ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)
KEYS = ("label", "nodes", "sensors", "rig", "budget", "import", "values", "power_unit", "started")


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    started = datetime(2026, 1, 2, tzinfo=UTC)
    rig = {"title": "bench 2", "sequence": {"soak_s": 60}, "instrument": [{"name": "reader"}]}
    document = run_document("pad", ["tab", "case"], started, rig=rig, values={"torque_Nm": 0.5})
    (tmp_path / "run.json").write_text(json.dumps(document), encoding="utf-8")
    known = read_metadata(tmp_path / "run.json")
    assert (known.label, known.nodes, known.started) == (
        "pad",
        ("tab", "case"),
        "2026-01-02T00:00:00Z",
    )
    assert known.rig_table("sequence") == {"soak_s": 60}
    assert known.rig_blocks("instrument") == ({"name": "reader"},)
    assert known.values == {"torque_Nm": 0.5}


def test_the_start_of_an_imported_run_may_not_be_known() -> None:
    stated = {"file": "log.txt", "started_from": "the time of the import", "left_out": ["line 3"]}
    origin = metadata_from({"import": stated}, PATH).origin
    assert origin is not None
    assert (origin.file, origin.left_out, origin.start_is_known) == ("log.txt", ("line 3",), False)


@given(st.dictionaries(st.sampled_from(KEYS), ANYTHING))
def test_whatever_stands_in_run_json_is_read_or_refused_in_one_line(document: object) -> None:
    try:
        said = ""
        metadata_from(document, PATH)
    except RecordError as error:
        said = str(error)
    assert "\n" not in said


@pytest.mark.parametrize("share", [-0.1, 1.0, True, "1 %", float("nan")])
def test_an_accuracy_that_is_no_share_is_refused_with_its_place(share: object) -> None:
    rig = {"channel": [{"node": "tab"}, {"node": "case", "match_u": share}]}
    with pytest.raises(RecordError, match="rig: channel 2: match_u"):
        metadata_from({"rig": rig}, PATH)


@given(st.binary(max_size=40) | ANYTHING.map(lambda value: json.dumps(value).encode()))
def test_no_line_is_more_than_an_event_or_none(line: bytes) -> None:
    event = event_from(line)
    assert event is None or isinstance(event.event, str)


def test_names_of_the_contract_are_unchanged() -> None:
    """As `events.jsonl` has had them since the first version."""
    of_the_contract = {
        *("power_on", "power_off", "gap", "reconnect"),
        *("bad_line", "guard", "operator", "stop"),
    }
    assert of_the_contract <= set(EventName)
    assert {"finished", "operator", "guard", "instrument"} <= set(EndReason)
    assert list(Phase) == ["isothermal check", "soak", "heat", "cool", "finished"]
