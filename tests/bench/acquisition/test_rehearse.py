"""A rehearsal on real ports: everything is asked, nothing is switched or written."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.acquisition.rehearse import duration, expected_of, rehearse
from bench.clock import RealClock
from bench.demo import SCENARIO
from fit.budget import read_budget
from fit.errors import PortError
from tests.support.bench_rigs import short_rig, virtual_bench
from tests.support.two_sources import two_part_bench, two_source_rig


def budget() -> object:
    return read_budget(Path(str(SCENARIO / "budget.toml")))


def test_every_instrument_is_asked_and_nothing_is_switched_or_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with virtual_bench() as bench:
        lines = rehearse(short_rig(bench.ports), RealClock(), None)
        assert bench.world.supply.switched == []
    text = "\n".join(lines)
    assert "reader on" in text
    assert "supply_V 0" in text
    assert list(tmp_path.iterdir()) == []


def test_it_says_which_limit_the_run_will_reach() -> None:
    with virtual_bench() as bench:
        rig = short_rig(bench.ports, guard={"max_degC": {"tab": 40.0, "case": 90.0}})
        lines = rehearse(rig, RealClock(), budget())  # type: ignore[arg-type]
    assert any("tab switches off at 40" in line and "IT WILL" in line for line in lines)
    assert any("case switches off at 90" in line and "IT WILL" not in line for line in lines)


def test_what_would_end_the_run_at_once_is_said() -> None:
    with virtual_bench() as bench:
        lines = rehearse(
            short_rig(bench.ports, guard={"max_degC": {"tab": 10.0}}), RealClock(), None
        )
    assert any("WOULD END THE RUN AT ONCE: tab is at" in line for line in lines)


@pytest.mark.parametrize(
    ("limited", "said"),
    [
        (("tab", "case"), ["missing: guard.max_degC of board_back, bar: not guarded, however hot"]),
        (("tab", "board_back", "bar", "case"), []),
        ((), ["missing: guard.max_degC: no temperature switches the power off"]),
    ],
)
def test_nodes_that_no_limit_guards_are_named(limited: tuple[str, ...], said: list[str]) -> None:
    with virtual_bench() as bench:
        guard = {"max_degC": dict.fromkeys(limited, 90.0)}
        lines = rehearse(short_rig(bench.ports, guard=guard), RealClock(), None)
    assert [line for line in lines if "max_degC" in line] == said


@pytest.mark.parametrize("u", [0.0, 0.005])
def test_an_accuracy_of_the_power_that_nobody_stated_is_missing(u: float) -> None:
    with virtual_bench() as bench:
        power = {"source": "measured", "switch": "supply", "u_relative": u}
        lines = rehearse(short_rig(bench.ports, power=power), RealClock(), None)
    assert any(line.startswith("missing: u_relative") for line in lines) is not bool(u)


def test_the_time_to_settle_comes_from_the_budget() -> None:
    sequence = {"heat_until": "settled", "heat_s": 90_000.0}
    rig = short_rig({"reader": "x", "supply": "y"}, sequence=sequence)
    expected = expected_of(budget(), 23.0)  # type: ignore[arg-type]
    assert expected is not None
    assert f"heat {4.6 * max(expected.tau_s):.0f} s until settled" in duration(rig, expected)
    assert "heat 90000 s at most" in duration(rig, None)


def test_an_instrument_that_is_not_there_is_an_error() -> None:
    with virtual_bench() as bench:
        rig = short_rig({**bench.ports, "supply": "/dev/nothing"})
        with pytest.raises(PortError, match="does not exist"):
            rehearse(rig, RealClock(), None)


def test_of_several_sources_each_that_nothing_switches_is_said() -> None:
    with two_part_bench() as bench:
        rig = two_source_rig(
            bench.ports,
            source=({"switch": "none"}, {}),
            sequence={"phases": [{"on": ["regulator"], "for_s": 60.0}]},
        )
        lines = rehearse(rig, RealClock(), None)
    assert "missing: a switch for 'charger': no end of the run switches it off" in lines
    assert any("heat 60 s by the rig, in 1 phase," in line for line in lines)
