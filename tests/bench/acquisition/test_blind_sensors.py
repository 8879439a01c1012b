"""A sensor that lies while the prototype is heated, in whole runs on the virtual bench."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.support.bench_rigs import events
from tests.support.broken_sensors import ON_S, Lie, frozen, lying_run, reads, swapped, wavering

MOST_PAST_K = 5.0
ALL = ("tab", "board_back", "bar", "case", "ambient")


@pytest.mark.parametrize(
    ("lie", "from_s", "limits"),
    [
        pytest.param(frozen("tab"), ON_S - 10, {"tab": 40.0}, id="frozen from power-on"),
        pytest.param(wavering("tab"), ON_S + 4, {"tab": 40.0}, id="hangs in the air"),
        pytest.param(frozen(*ALL), ON_S + 4, {"tab": 40.0}, id="all repeat"),
        pytest.param(reads("tab", 0.0), ON_S + 6, {"tab": 40.0}, id="jumps to 0"),
        pytest.param(reads("tab", -200.0), ON_S + 6, {"tab": 40.0}, id="jumps to -200"),
        pytest.param(reads("tab", math.nan), ON_S + 6, {"tab": 40.0}, id="opens"),
        pytest.param(frozen("case"), ON_S - 10, {"case": 30.0}, id="the last node repeats"),
        pytest.param(swapped("tab", "bar"), ON_S + 20, {"tab": 46.0}, id="changes places"),
    ],
)
def test_a_guarded_node_is_off_before_it_passes_its_limit_by_5_K(
    tmp_path: Path, lie: Lie, from_s: float, limits: dict[str, float]
) -> None:
    done = lying_run(tmp_path / "run", lie, from_s, limits)
    ((node, limit),) = limits.items()
    assert done.result.exit_status == 4
    assert done.truth_degC[node] < limit + MOST_PAST_K
    guard = [one for one in events(tmp_path / "run") if one["event"] == "guard"]
    assert (guard[0]["rule"], guard[0]["node"]) == ("blind", node)


@pytest.mark.parametrize("value", [0.0, -200.0, 850.0, math.nan])
def test_of_a_node_without_a_limit_it_is_said_loudly_once_and_the_run_goes_on(
    tmp_path: Path, value: float
) -> None:
    done = lying_run(tmp_path / "run", reads("bar", value), ON_S + 20, {"tab": 90.0}, heat_s=60.0)
    assert done.result.reason == "finished"
    assert len([text for text in done.said if "bar" in text]) == 1
    told = [one for one in events(tmp_path / "run") if one["event"] == "blind"]
    assert [one["node"] for one in told] == ["bar"]


def test_of_sound_sensors_nothing_is_said(tmp_path: Path) -> None:
    done = lying_run(tmp_path / "run", lambda true: true, 0.0, dict.fromkeys(ALL, 90.0))
    assert (done.result.reason, done.said) == ("finished", [])


def test_a_coarse_reader_at_its_plateau_is_not_called_blind(tmp_path: Path) -> None:
    def coarse(true: dict[str, float]) -> dict[str, float]:
        return {node: float(round(value)) for node, value in true.items()}

    limits = dict.fromkeys(ALL, 90.0)
    done = lying_run(tmp_path / "run", coarse, 0.0, limits, heat_s=2500.0, blind_s=300.0)
    assert (done.result.reason, done.said) == ("finished", [])
