"""The reckoning beside a run of several sources."""

from __future__ import annotations

import math

import pytest

from bench.acquisition.estimator import InlineEstimator, powers_W
from bench.status import Scan
from fit.assessment.branch_conformity import check_run
from fit.records.run import Run
from tests.support.made_trees import NODES, SOURCES, budget, made_run

COLUMNS = ("power_driver_W", "charger_V", "charger_A")  # the rig's order need not be the record's


def scans(run: Run) -> list[Scan]:
    assert run.source_power is not None
    return [
        Scan(
            float(t_s),
            dict(zip(NODES, reading.tolist(), strict=True)),
            float(sum(each)),
            columns=dict(zip(COLUMNS, (each[1], 10.0, each[0] / 10.0), strict=True)),
        )
        for t_s, reading, each in zip(run.t_s, run.temperature_degC, run.source_power, strict=True)
    ]


def test_the_estimate_of_several_sources_decides_as_check_does() -> None:
    run = made_run(off_s=(200.0, 350.0), end_s=400.0, noise_K=0.02)
    whole = scans(run)
    estimator = InlineEstimator(NODES, budget(), {}, SOURCES)
    for scan in whole:
        estimator.add(scan)
    found = estimator.latest()
    assert found is not None
    until = int(found.t_s) + 1  # scans, one a second: what the latest estimate has seen
    assert run.source_power is not None
    seen = Run(
        run.path,
        run.label,
        run.nodes,
        run.t_s[:until],
        run.temperature_degC[:until],
        run.power[:until],
        sources=run.sources,
        source_power=run.source_power[:until],
    )
    checked = check_run(seen, budget())
    assert [span.decision for span in found.spans] == [span.decision for span in checked.spans]


def test_powers_are_in_the_order_of_the_sources() -> None:
    scan = scans(made_run(end_s=5.0))[-1]
    assert powers_W(scan, SOURCES) == pytest.approx([4.0, 2.5])
    assert powers_W(scan, ()) == pytest.approx([6.5])


def test_a_source_without_a_figure_has_no_power() -> None:
    scan = Scan(0.0, {}, 4.0, columns={"power_driver_W": 1.0, "charger_V": 3.0})
    assert math.isnan(powers_W(scan, SOURCES)[0])
