"""What a heat run means: readings in, verdict out.

>>> import fit
>>> run = fit.read_run("runs/20261125T101500Z_charge-controller")  # doctest: +SKIP
>>> response = fit.identify(run)  # doctest: +SKIP
>>> verdict = fit.check(fit.measure(run), fit.read_budget("budget.toml"))  # doctest: +SKIP
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fit.assessment.conformity import check
    from fit.budget import predict, read_budget
    from fit.identification.response import identify
    from fit.measurement.spans import measure
    from fit.records.run import read_run

__all__ = ["check", "identify", "measure", "predict", "read_budget", "read_run"]

_HOMES = {
    "read_run": "fit.records.run",
    "identify": "fit.identification.response",
    "measure": "fit.measurement.spans",
    "read_budget": "fit.budget",
    "predict": "fit.budget",
    "check": "fit.assessment.conformity",
}


def __getattr__(name: str) -> Any:
    # Loaded when first used: `heatrun --help` and `heatrun log` start without scipy and pandas.
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'fit' has no attribute {name!r}")
