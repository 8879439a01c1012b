"""What can go wrong, as one small tree.

HeatrunError                 anything the command line turns into one line; exit status 2
├── InputError               a file the user can mend: file, place, problem, remedy
│   ├── RecordError          readings, run folders, imports
│   ├── BudgetError          budget.toml
│   └── RigError             rig.toml
├── NotIdentifiable          the record does not carry the answer asked of it
└── BenchError               the bench itself
    ├── PortError            a port that does not exist, is taken, or may not be opened
    ├── InstrumentLost       an instrument that stopped answering; exit status 4
    └── InstrumentRefused    an instrument that answered, but would not do it; exit status 4
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class HeatrunError(Exception):
    """Anything the command line turns into one line on standard error."""

    exit_status = 2


class InputError(HeatrunError):
    """Bad input: `file: place: what is wrong; what would be right`."""

    def __init__(self, file: str | Path, place: str, problem: str, remedy: str = "") -> None:
        self.file, self.place, self.problem, self.remedy = str(file), place, problem, remedy
        head = ": ".join(part for part in (self.file, place, problem) if part)
        whole = f"{head}; {remedy}" if remedy else head
        super().__init__(" ".join(whole.split()))


class RecordError(InputError):
    """Readings, a run folder or an import that cannot be read."""


class BudgetError(InputError):
    """A budget that cannot be used."""


class RigError(InputError):
    """A rig description that cannot be used."""


class NotIdentifiable(HeatrunError):
    """The record does not carry the answer asked of it."""


@contextmanager
def about(file: str | Path | None) -> Iterator[None]:
    """Names the record that does not carry the answer, where what fails does not know it."""
    try:
        yield
    except NotIdentifiable as error:
        raise NotIdentifiable(f"{file}: {error}" if file else str(error)) from error


class BenchError(HeatrunError):
    """Something on the bench."""


class PortError(BenchError):
    """A port that does not exist, is taken, or may not be opened."""


class InstrumentLost(BenchError):
    """An instrument that stopped answering."""

    exit_status = 4


class InstrumentRefused(BenchError):
    """An instrument that answered, but reported an error or did not do what it was told."""

    exit_status = 4
