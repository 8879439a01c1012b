"""Many runs held against a budget: rows back as they end, kept in a table, gone on with."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from fit.output.verbosity import remark, tracked, working

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.budget.model import Budget
    from fit.records.growing_table import Group, GrowingTable
    from fit.statistics.batch import Outcome
    from fit.statistics.unit_row import UnitRow

ROW, DOCUMENT, VERDICT = "row", "document", "verdict"
"""What a checked run brings back: its row alone, with its document, or with the verdict itself."""


@dataclass(frozen=True)
class Checked:
    """One run held against the budget; of many, small enough to travel."""

    row: UnitRow
    document: Mapping[str, object] | None = None
    verdict: Verdict | None = None

    @property
    def decision(self) -> str:
        """conforming | non-conforming | undecided."""
        return self.row.decision


@dataclass(frozen=True)
class Batch:
    """How runs are worked on."""

    budget: Path | None = None  # budget.toml; the one kept in each run when None
    jobs: int | None = None  # processes at once
    scheduler: str | None = None  # address of one of Dask's, in place of processes here
    table: Path | None = None  # that takes each run's rows as it ends
    resume: bool = False  # goes on with that table
    bring: str = ROW
    quiet: bool = False


@cache
def read_once(path: Path) -> Budget:
    """The budget as read, once a process: what is drawn from it is kept with it."""
    from fit.budget import read_budget

    return read_budget(path)


def check_run(path: Path, budget: Path | None = None, bring: str = ROW) -> Checked:
    """Read, measure and check one run; check.json is written when it is a run folder.

    Without the responses that the spans come from: they are as large as the records.

    Args:
        path: of the run.
        budget: budget.toml; the one kept in the run when None.
        bring: what comes back.
    """
    from fit.assessment.branch_conformity import check_run as check
    from fit.budget.run_budget import required_budget
    from fit.output.documents import check_document
    from fit.output.unit_rows import unit_row
    from fit.records.digest import record_digest
    from fit.records.results import write_result
    from fit.records.run import read_run
    from fit.records.run_folder import CHECK_RESULT

    digest = record_digest(path)  # before it is read: what is added meanwhile is another record
    run = read_run(path)
    stated = required_budget(run.metadata, run.path) if budget is None else read_once(budget)
    verdict = check(run, stated)
    verdict = replace(verdict, measured=replace(verdict.measured, responses=()))
    document = check_document(verdict)
    if path.is_dir():
        write_result(path, CHECK_RESULT, document)
    return Checked(
        row=unit_row(run, verdict, digest, budget_digest(path, budget)),
        document=document if bring == DOCUMENT else None,
        verdict=verdict if bring == VERDICT else None,
    )


def budget_digest(run: Path, budget: Path | None) -> str:
    """Digest of the budget that a run is held against: the file's, or of what the run keeps.

    Args:
        run: path of the run.
        budget: budget.toml; the one kept in the run when None.
    """
    from fit.records.digest import record_digest, table_digest
    from fit.records.metadata import read_metadata
    from fit.records.run_folder import DOCUMENT as RUN_DOCUMENT

    if budget is not None:
        return record_digest(budget)
    return table_digest(read_metadata(run / RUN_DOCUMENT).budget)


def check_many(runs: Sequence[Path], batch: Batch) -> list[Outcome[Checked]]:
    """Check every run, and keep the rows of each in the table as it ends.

    Args:
        runs: their paths, each once.
        batch: how.

    Returns:
        Outcomes in the order of the runs; those that the table held already with their row alone.

    Raises:
        RecordError: the table cannot be begun, or gone on with.
        KeyboardInterrupt: Ctrl-C; what has ended is in the table.
    """
    from fit.statistics.batch import Outcome, map_runs

    with _table(runs, batch) as (table, kept):
        left = [path for path in runs if path not in kept]
        if kept:
            remark(f"{len(kept)} of {len(runs)} runs are in {batch.table} already")
        # Workers elsewhere do not stand in this folder.
        budget = None if batch.budget is None else batch.budget.absolute()
        work = partial(check_run, budget=budget, bring=batch.bring)
        found = {path: Outcome(path, Checked(row)) for path, row in kept.items()}
        try:
            outcomes = map_runs(work, left, batch.jobs, batch.scheduler)
            for outcome in _shown(outcomes, runs, len(left), quiet=batch.quiet):
                if table is not None:
                    _append(table, outcome)
                found[outcome.path] = outcome
        except KeyboardInterrupt:
            if table is not None:
                remark(f"the runs that have ended are in {batch.table}: --resume goes on")
            raise
    return [found[path] for path in runs]


def row_of(outcome: Outcome[Checked]) -> UnitRow:
    """The row of a run, checked or not.

    Args:
        outcome: of the run.
    """
    from fit.statistics.unit_row import UnitRow

    if outcome.result is not None:
        return replace(outcome.result.row, run=str(outcome.path))
    return UnitRow(run=str(outcome.path), error=outcome.error)


def _append(table: GrowingTable, outcome: Outcome[Checked]) -> None:
    from fit.output.unit_rows import table_rows

    table.append(table_rows(row_of(outcome)))


@contextmanager
def _table(
    runs: Sequence[Path], batch: Batch
) -> Iterator[tuple[GrowingTable | None, dict[Path, UnitRow]]]:
    """The table, open, and the rows of these runs that it holds."""
    from fit.output.unit_rows import COLUMNS
    from fit.records.growing_table import GrowingTable

    if batch.table is None:
        yield None, {}
        return
    if not batch.resume:
        with GrowingTable.create(batch.table, COLUMNS) as table:
            yield table, {}
        return
    named = {os.path.realpath(path): path for path in runs}
    kept: dict[Path, UnitRow] = {}

    def keep(name: str, group: Group) -> bool:
        """Another's rows stay; of these runs, those of the record and budget as they are now."""
        path = named.get(os.path.realpath(name))
        if path is None:
            return True
        row = _still_true(path, group, batch.budget)
        if row is not None:
            kept[path] = row
        return row is not None

    with GrowingTable.go_on(batch.table, COLUMNS, "run", keep)[0] as table:
        yield table, kept


def _still_true(path: Path, group: Group, budget: Path | None) -> UnitRow | None:
    """The row that lines of a table hold, if record and budget are what they were."""
    from fit.errors import HeatrunError
    from fit.output.unit_rows import row_from_table
    from fit.records.digest import record_digest

    try:
        row = row_from_table(group)
        if row.error or not row.record_digest:
            return None
        same = row.record_digest == record_digest(path)
        return row if same and row.budget_digest == budget_digest(path, budget) else None
    except (HeatrunError, ValueError):
        return None


def _shown(
    outcomes: Iterator[Outcome[Checked]], runs: Sequence[Path], total: int, *, quiet: bool
) -> Iterator[Outcome[Checked]]:
    """The outcomes as they come, with a progress bar where there are several."""
    if len(runs) == 1:
        with working(f"checking {runs[0]}") if total else nullcontext():
            yield from outcomes
        return
    yield from tracked(outcomes, "checking", total, quiet=quiet)
