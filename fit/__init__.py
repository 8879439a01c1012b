"""What a heat run means: readings in, verdict out.

>>> import fit
>>> run = fit.read_run("runs/20261125T101500Z_charge-controller")  # doctest: +SKIP
>>> response = fit.identify(run)  # doctest: +SKIP
>>> verdict = fit.check(response.spans(), fit.read_budget("budget.toml"))  # doctest: +SKIP
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fit.budget import predict, read_budget
    from fit.check import check
    from fit.identify import identify
    from fit.record import read_run
    from fit.spans import measure

__all__ = ["check", "identify", "measure", "predict", "read_budget", "read_run"]

_HOMES = {
    "read_run": "fit.record",
    "identify": "fit.identify",
    "measure": "fit.spans",
    "read_budget": "fit.budget",
    "predict": "fit.budget",
    "check": "fit.check",
}


def __getattr__(name: str) -> Any:
    # Loaded when first used: `heatrun --help` and `heatrun log` must start without scipy and pandas.
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'fit' has no attribute {name!r}")
