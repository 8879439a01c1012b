"""The whole job on the virtual bench: log, fit, check, report, and the truth at the end."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from importlib.resources import as_file
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.rig.schema import Rig, rig_from
from bench.virtual.bench import VirtualBench, open_bench
from bench.virtual.scenario import Unit, make_unit, read_scenario
from bench.virtual.scenarios import SCENARIOS
from fit.errors import BenchError
from fit.records.events import EndReason
from fit.records.results import write_result
from fit.records.run import Run, read_run
from fit.records.run_folder import CHECK_RESULT, FIT_RESULT

if TYPE_CHECKING:
    from bench.status import Status
    from fit.assessment.conformity import Verdict
    from fit.budget.model import Budget

SCENARIO = SCENARIOS["one-part"]
LABEL = "charge controller demo"
COPIED = ("budget.toml", "rig.toml")  # into the run folder, so that the commands can be tried on it
TRUTH = "truth.json"
STEP_S = 1.0  # of the prototype


@dataclass(frozen=True)
class TrueSpan:
    """Measured against what the prototype truly is."""

    from_node: str
    to_node: str
    true_K_per_W: float
    measured_K_per_W: float | None
    measured_u_K_per_W: float | None = None
    name: str = ""

    @property
    def error(self) -> float | None:
        """Relative [1]."""
        if self.measured_K_per_W is None:
            return None
        return self.measured_K_per_W / self.true_K_per_W - 1


@dataclass(frozen=True)
class Demonstration:
    """What a demonstration left behind."""

    folder: Path
    unit: Unit
    verdict: Verdict
    spans: tuple[TrueSpan, ...]
    took_s: float


class _Teller:
    """A view of the run while it is logged: one line for each event."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say

    def show(self, status: Status) -> None:
        pass

    def say(self, text: str, loud: bool = False) -> None:
        self._say(text)

    def close(self) -> None:
        pass


def make_demo_unit(fault: str, seed: int, scenario: Traversable = SCENARIO) -> Unit:
    """A demo's prototype with a fault. Raises InputError when there is no such fault."""
    return make_unit(read_scenario(scenario / "prototype.toml"), fault, seed)


def demo_rig(ports: Mapping[str, str], scenario: Traversable = SCENARIO) -> Rig:
    """A demo's rig.toml on the ports the virtual bench has."""
    file = scenario / "rig.toml"
    tables: dict[str, Any] = tomllib.loads(file.read_text(encoding="utf-8"))
    for instrument in tables["instrument"]:
        instrument["port"] = ports[instrument["name"]]
    return rig_from(tables, str(file))


def true_spans(unit: Unit, verdict: Verdict, power_W: float) -> tuple[TrueSpan, ...]:
    """Every span of the verdict that the prototype has, against its truth at that power [W]."""
    out = {start: (end, R) for (start, end), R in unit.ways(power_W).values()}
    found = []
    for span in verdict.spans:
        here, total = span.from_node, 0.0
        while here != span.to_node and here in out:
            here, R = out[here]
            total += R
        if here == span.to_node:
            measured = span.measured_K_per_W, span.measured_u_K_per_W
            found.append(TrueSpan(span.from_node, span.to_node, total, *measured, span.name))
    return tuple(found)


def truth_document(unit: Unit, power_W: float) -> dict[str, object]:
    """What the prototype truly is, for truth.json beside the run."""
    return {
        "schema": "heatrun.truth/1",
        "note": "invented: the hidden truth of a virtual prototype",
        "fault": unit.fault,
        "seed": unit.seed,
        "power_W": power_W,
        "path_fraction": unit.prototype.path_fraction,
        "stages": [
            {"name": name, "from": start, "to": end, "R_K_per_W": R}
            for name, ((start, end), R) in unit.ways(power_W).items()
        ],
    }


def run_demo(
    fault: str,
    seed: int,
    folder: Path,
    say: Callable[[str], None] = lambda line: None,
    scenario: Traversable = SCENARIO,
) -> Demonstration:
    """Log, fit, check and report the virtual prototype.

    Args:
        fault: a name under [fault] of prototype.toml.
        seed: makes the unit: its own resistances, offsets and noise.
        folder: run folder to create.
        say: told each step in a line.
        scenario: folder of the prototype, its budget and its rig.

    Raises:
        InputError: the folder exists, or no such fault.
    """
    from bench.acquisition.rehearse import duration, expected_of
    from bench.acquisition.run_loop import heat_run
    from bench.clock import LockStepClock
    from fit.budget import read_budget

    started = time.monotonic()
    unit = make_demo_unit(fault, seed, scenario)
    with as_file(scenario / "budget.toml") as path:
        budget = read_budget(path)
    clock = LockStepClock()
    with open_bench(unit, clock.now_s, step_s=STEP_S) as bench:
        for name, port in bench.ports.items():
            say(f"{name} on {port}")
        rig = demo_rig(bench.ports, scenario)
        say(duration(rig, expected_of(budget, None)))
        result = heat_run(
            rig,
            clock=clock,
            folder=folder,
            budget=budget,
            view=_Teller(say),
            label=f"{LABEL}, unit {seed}",
            estimate=False,
        )
        power_W = _true_power_W(bench)
    if result.reason != EndReason.FINISHED:
        raise BenchError(f"the demonstration ended early: {result.text}; see {folder}")
    logged_s = time.monotonic() - started
    for name in COPIED:
        write_result(folder, name, (scenario / name).read_text(encoding="utf-8"))
    write_result(folder, TRUTH, truth_document(unit, power_W))
    run = read_run(folder)
    hours = run.t_s[-1] / 3600
    say(f"logged {len(run.t_s)} scans, {hours:.1f} h of bench time, in {logged_s:.1f} s")
    evaluate = _evaluate if budget.is_chain else _evaluate_tree
    verdict = evaluate(run, budget, folder)
    return Demonstration(
        folder, unit, verdict, true_spans(unit, verdict, power_W), time.monotonic() - started
    )


def _evaluate(run: Run, budget: Budget, folder: Path) -> Verdict:
    """Fit, check and report, as the three commands do, from one measurement."""
    from fit.assessment.conformity import check
    from fit.measurement.spans import measure
    from fit.output.documents import check_document, fit_document
    from fit.output.report.rating import rate_verdict
    from fit.output.report.report import write_report

    spans = measure(run)
    response = spans.responses[-1]
    verdict = check(spans, budget)
    write_result(folder, FIT_RESULT, fit_document(response))
    write_result(folder, CHECK_RESULT, check_document(verdict))
    write_report(run, response, verdict, folder, rated=rate_verdict(verdict))
    return verdict


def _evaluate_tree(run: Run, budget: Budget, folder: Path) -> Verdict:
    """The same of a run of several sources."""
    from fit.assessment.branch_conformity import check_branches
    from fit.measurement.branches import measure_branches
    from fit.output.branch_documents import branch_fit_document
    from fit.output.documents import check_document
    from fit.output.report.report import write_report

    branches = measure_branches(run, budget)
    verdict = check_branches(branches, budget)
    write_result(folder, FIT_RESULT, branch_fit_document(branches))
    write_result(folder, CHECK_RESULT, check_document(verdict))
    write_report(run, None, verdict, folder, branches=branches)
    return verdict


def _true_power_W(bench: VirtualBench) -> float:
    """What the supplies truly give when they are on [W], whatever they read."""
    return sum(replace(supply, on=True).power_W for supply in bench.world.supplies.values())
