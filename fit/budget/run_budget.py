"""Which budget a run is held against."""

from __future__ import annotations

from pathlib import Path

from fit.budget import read_budget
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.errors import NotIdentifiable, RecordError
from fit.records.metadata import RunMetadata
from fit.records.run import Run
from fit.records.run_folder import DOCUMENT


def budget_for(metadata: RunMetadata, folder: Path, stated: Path | None = None) -> Budget | None:
    """The budget as stated, else the one the run was logged with, else None.

    Args:
        metadata: of the run.
        folder: the run folder, named in errors.
        stated: budget.toml from the command line.

    Raises:
        BudgetError: it cannot be used.
    """
    if stated is not None:
        return read_budget(stated)
    if not metadata.budget:
        return None
    return budget_from(metadata.budget, folder / DOCUMENT)


def required_budget(metadata: RunMetadata, path: Path, stated: Path | None = None) -> Budget:
    """The same where it cannot be done without.

    Args:
        metadata: of the run.
        path: of the run, named in errors.
        stated: budget.toml from the command line.

    Returns:
        The budget.

    Raises:
        BudgetError: it cannot be used.
        RecordError: none is stated and the run keeps none.
    """
    budget = budget_for(metadata, path, stated)
    if budget is None:
        raise RecordError(path, "", "keeps no budget", "state --budget BUDGET")
    return budget


def branches_budget(run: Run, stated: Budget | Path | None = None) -> Budget:
    """The budget that says how the branches of a run of several sources meet.

    Args:
        run: as recorded.
        stated: a budget, or budget.toml from the command line; the one kept in the run when None.

    Returns:
        The budget.

    Raises:
        NotIdentifiable: none is stated, and none kept.
        BudgetError: it cannot be used.
    """
    if isinstance(stated, Budget):
        return stated
    budget = budget_for(run.metadata, run.path, stated)
    if budget is None:
        raise NotIdentifiable(
            f"{run.path}: records {len(run.sources)} sources, and how their branches meet is not"
            " kept in it; state --budget"
        )
    return budget
