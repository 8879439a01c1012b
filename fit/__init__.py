"""What a heat run means: readings in, verdict out.

>>> import fit
>>> run = fit.read_run("runs/20261125T101500Z_charge-controller")  # doctest: +SKIP
>>> response = fit.identify(run)  # doctest: +SKIP
>>> verdict = fit.check(response.spans(), fit.read_budget("budget.toml"))  # doctest: +SKIP
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
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
    # Loaded when first used: `heatrun --help` and `heatrun log` start without scipy and pandas.
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'fit' has no attribute {name!r}")


class _Package(ModuleType):
    """This package: `fit.identify` and `fit.check` are the functions, also once the modules of the
    same names are loaded, which Python would put in their place.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
