"""What was learnt, as a file: `heatrun.learned/1`, written whole and read strictly."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fit.budget.inputs import Input
from fit.budget.learned import Learned, known_in, symmetric_root
from fit.budget.model import Budget
from fit.budget.uncertain import Uncertain
from fit.errors import RecordError
from fit.learning.before_after import before_and_after
from fit.learning.history import Earlier, RunTaught
from fit.learning.identity import Identity
from fit.learning.learn import Taught
from fit.records.plain_file import LARGEST_DOCUMENT, read_plain
from fit.toml_file import first_complaint

LEARNED = "heatrun.learned/1"
REMEDY = "write it with 'heatrun learn RUN … --budget BUDGET --out FILE'"
LARGEST_SCORE = 50.0  # standard deviations: nothing measured is so far from what was stated
ROUNDING = 1e-6  # of a covariance as written: less than no variance by so much is none

Number = Annotated[float, Field(allow_inf_nan=False)]


class _Block(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class _Unit(_Block):
    """A value of a unit not yet built, and its standard uncertainty."""

    value: Number
    u: Number


class _Input(_Block):
    owner: str = Field(min_length=1)
    kind: str
    key: str = Field(min_length=1)
    value: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    u: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    shape: Literal["lognormal", "rectangular"]
    bounded: bool
    shared: Annotated[float, Field(ge=0, le=1)]
    score: Annotated[float, Field(ge=-LARGEST_SCORE, le=LARGEST_SCORE)]
    before: _Unit
    after: _Unit


class _Run(_Block):
    run: str
    spans: list[str]
    chi_square: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    p: Annotated[float, Field(ge=0, le=1)]
    taught: bool
    why_not: str
    id: str = ""
    readings_sha256: str = ""
    earlier: bool = False

    @property
    def as_taught(self) -> RunTaught:
        run = Identity(self.run, self.id, self.readings_sha256)
        return RunTaught(run, tuple(self.spans), self.chi_square, self.p, self.taught, self.why_not)


class _File(_Block):
    schema_: Literal["heatrun.learned/1"] = Field(alias="schema")
    title: str
    budget: str
    earlier: str = ""
    runs: list[_Run]
    inputs: list[_Input] = Field(min_length=1)
    covariance: list[list[Number]]
    warnings: list[str]


def learned_document(taught: Taught) -> dict[str, object]:
    """What was learnt as `heatrun.learned/1`.

    `score` and `covariance` are those of the process, in the standard scores of what the budget
    states; `before` (as stated, before any run) and `after` are of a unit not yet built.
    """
    learned, earlier = taught.learned, taught.earlier
    changes = before_and_after(taught)
    runs = [(one, False) for one in taught.runs]
    if earlier is not None:
        runs = [(one, True) for one in earlier.beside(taught.runs)] + runs
    numbers = zip(learned.inputs, learned.mean, changes, strict=True)
    return {
        "schema": LEARNED,
        "title": taught.budget.title,
        "budget": str(taught.budget.path),
        "earlier": "" if earlier is None else earlier.file,
        "runs": [_run(run, of_before) for run, of_before in runs],
        "inputs": [
            {
                "owner": one.owner,
                "kind": one.kind,
                "key": one.key,
                "value": one.number.value,
                "u": one.number.u,
                "shape": one.number.shape,
                "bounded": one.bounded,
                "shared": one.shared,
                "score": float(mean),
                "before": {"value": change.value, "u": change.u},
                "after": {"value": change.value_after, "u": change.u_after},
            }
            for one, mean, change in numbers
        ],
        "covariance": learned.covariance.tolist(),
        "warnings": list(taught.warnings),
    }


def _run(run: RunTaught, earlier: bool) -> dict[str, object]:
    return {
        "run": run.run.path,
        "id": run.run.id,
        "readings_sha256": run.run.readings_sha256,
        "earlier": earlier,
        "spans": list(run.spans),
        "chi_square": run.chi_square,
        "p": run.p,
        "taught": run.taught,
        "why_not": run.why_not,
    }


def read_learned(path: Path, budget: Budget) -> Earlier:
    """Read what runs have taught of a budget.

    Args:
        path: the file.
        budget: that is to use it.

    Returns:
        What was learnt, of this design and others, and by which runs.

    Raises:
        RecordError: as `read_earlier`, or nothing of it is in the budget.
    """
    found = read_earlier(path)
    if not known_in(budget, found.learned):
        remedy = "give its stages the names and kinds of the budget that was measured"
        raise RecordError(path, "", f"none of its inputs is in {budget.path}", remedy)
    return found


def read_earlier(path: Path) -> Earlier:
    """Read what was learnt.

    Args:
        path: the file.

    Returns:
        What was learnt, of whatever design, and by which runs.

    Raises:
        RecordError: with file, place, what is wrong and what would be right, on one line.
    """
    tables = _tables(path)
    try:
        file = _File.model_validate(tables)
    except ValidationError as problem:
        keys = [field.alias or name for name, field in _File.model_fields.items()]
        place, wrong, remedy = first_complaint(problem, keys, REMEDY)
        raise RecordError(path, place, wrong, remedy if place else REMEDY) from None
    inputs = tuple(
        Input(
            one.owner,
            one.kind,
            one.key,
            Uncertain(one.value, one.u, one.shape),
            one.shared,
            one.bounded,
        )
        for one in file.inputs
    )
    if _stands_twice(inputs):
        raise RecordError(path, "inputs", "one of them stands there twice", REMEDY)
    scores = np.array([one.score for one in file.inputs])
    return Earlier(
        str(path),
        Learned(inputs, scores, _covariance(file, path)),
        tuple(one.as_taught for one in file.runs),
        tuple(file.warnings),
    )


def _stands_twice(inputs: tuple[Input, ...]) -> bool:
    """Whether two inputs are the same; of one name there may be a property of two materials."""
    by_name: dict[tuple[str, str], list[Input]] = {}
    for one in inputs:
        namesakes = by_name.setdefault(one.name, [])
        if any(map(one.is_same, namesakes)):
            return True
        namesakes.append(one)
    return False


def _tables(path: Path) -> Any:
    data = read_plain(path, LARGEST_DOCUMENT, missing=REMEDY)
    try:
        return json.loads(data.decode("utf-8-sig"), parse_constant=_not_finite)
    except UnicodeDecodeError:
        raise RecordError(path, "", "is not UTF-8 text", REMEDY) from None
    except RecursionError:
        raise RecordError(path, "", "is nested too deeply to be one of ours", REMEDY) from None
    except ValueError as problem:
        raise RecordError(path, "", f"is not JSON: {problem}", REMEDY) from None


def _not_finite(word: str) -> float:
    raise ValueError(f"{word} is no number there")


def _covariance(file: _File, path: Path) -> np.ndarray:
    """The matrix, checked for what every covariance is."""
    d = len(file.inputs)
    if [len(row) for row in file.covariance] != [d] * d:
        raise RecordError(path, "covariance", f"is not {d} rows of {d}", REMEDY)
    matrix = np.array(file.covariance)
    if np.abs(matrix).max() > LARGEST_SCORE**2:
        raise RecordError(path, "covariance", "holds a number beyond all measure", REMEDY)
    if not np.allclose(matrix, matrix.T, atol=ROUNDING):
        raise RecordError(path, "covariance", "is not symmetric", REMEDY)
    if np.linalg.eigvalsh(matrix).min() < -ROUNDING:
        raise RecordError(path, "covariance", "is of no set of numbers: a variance is < 0", REMEDY)
    root = symmetric_root(matrix)
    return np.asarray(root @ root)
