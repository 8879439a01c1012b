"""A run folder followed: the power of several sources is their sum."""

from __future__ import annotations

from pathlib import Path

import pytest

from fit.records.tail import FolderReader


@pytest.mark.parametrize(
    ("header", "row", "power_W", "several"),
    [
        ("t_s,tab_degC,power_W", "0.0,23.0,4.2", 4.2, False),
        ("t_s,tab_degC,supply_V,supply_A", "0.0,23.0,12,0.5", 6.0, False),
        ("t_s,tab_degC,power_lamp_W,fan_V,fan_A", "0.0,23.0,3.0,10,0.2", 5.0, True),
        ("t_s,tab_degC,power_lamp_W,power_fan_W", "0.0,23.0,3.0,", float("nan"), True),
    ],
)
def test_the_power_is_that_of_all_sources(
    tmp_path: Path, header: str, row: str, power_W: float, several: bool
) -> None:
    (tmp_path / "readings.csv").write_text(f"{header}\n{row}\n")
    reader = FolderReader(tmp_path)
    reader.look()
    assert reader.power[-1] == pytest.approx(power_W, nan_ok=True)
    assert reader.has_several_sources is several


def test_the_record_so_far_has_the_power_of_each_source(tmp_path: Path) -> None:
    header = "t_s,tab_degC,power_lamp_W,fan_V,fan_A"
    (tmp_path / "readings.csv").write_text(f"{header}\n0.0,23.0,3.0,10,0.2\n")
    reader = FolderReader(tmp_path)
    reader.look()
    run = reader.run()
    assert run.sources == ("lamp", "fan")
    assert run.source_power is not None
    assert run.source_power.tolist() == [[3.0, 2.0]]


@pytest.mark.parametrize("header", ["t s,tab_degC,power_W", "tab_degC,bar_degC,power_W"])
def test_a_table_without_its_times_is_not_followed(tmp_path: Path, header: str) -> None:
    (tmp_path / "readings.csv").write_text(f"{header}\n0.0,23.0,4.2\n1.0,23.0,4.2\n")
    reader = FolderReader(tmp_path)
    assert not reader.look()
    assert (reader.scans, reader.nodes) == (0, ())
