"""Which budget a run is held against."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from fit.budget import read_budget
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.records.writer import DOCUMENT


def budget_for(
    document: Mapping[str, object], folder: Path, stated: Path | None = None
) -> Budget | None:
    """The budget as stated, else the one the run was logged with, else None.

    Args:
        document: run.json as read.
        folder: the run folder, named in errors.
        stated: budget.toml from the command line.

    Raises:
        BudgetError: it cannot be used.
    """
    if stated is not None:
        return read_budget(stated)
    tables = document.get("budget")
    if not isinstance(tables, Mapping) or not tables:
        return None
    return budget_from(tables, folder / DOCUMENT)
