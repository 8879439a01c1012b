"""Which budget a run is held against."""

from __future__ import annotations

from pathlib import Path

from fit.budget import read_budget
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.errors import RecordError
from fit.records.metadata import RunMetadata
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
