"""What a heat run means: readings in, verdict out.

>>> import fit
>>> run = fit.read_run("runs/20261125T101500Z_charge-controller")  # doctest: +SKIP
>>> verdict = fit.check(fit.measure(run), fit.read_budget("budget.toml"))  # doctest: +SKIP
>>> verdict  # doctest: +SKIP
<Verdict conforming at 4.2 W: via array conforming, pad conforming, case to air conforming>
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict, check
    from fit.budget import predict, read_budget
    from fit.budget.model import Budget, Prediction
    from fit.compact_model.spice import netlist
    from fit.errors import BudgetError, HeatrunError, NotIdentifiable, RecordError
    from fit.identification.identify import identify
    from fit.identification.response import Response
    from fit.measurement.spans import Spans, measure
    from fit.rating.rating import Rating, rate
    from fit.rating.touch_limits import read_touch_limits
    from fit.records.run import Run, read_run
    from fit.statistics.comparison import Comparison, compare, measure_run

    __version__: str

__all__ = [
    "Budget",
    "BudgetError",
    "Comparison",
    "HeatrunError",
    "NotIdentifiable",
    "Prediction",
    "Rating",
    "RecordError",
    "Response",
    "Run",
    "Spans",
    "Verdict",
    "check",
    "compare",
    "identify",
    "measure",
    "measure_run",
    "netlist",
    "predict",
    "rate",
    "read_budget",
    "read_run",
    "read_touch_limits",
]

_HOMES = {
    "read_run": "fit.records.run",
    "identify": "fit.identification.identify",
    "measure": "fit.measurement.spans",
    "read_budget": "fit.budget",
    "predict": "fit.budget",
    "check": "fit.assessment.conformity",
    "compare": "fit.statistics.comparison",
    "measure_run": "fit.statistics.comparison",
    "rate": "fit.rating.rating",
    "read_touch_limits": "fit.rating.touch_limits",
    "netlist": "fit.compact_model.spice",
    "Run": "fit.records.run",
    "Response": "fit.identification.response",
    "Spans": "fit.measurement.spans",
    "Budget": "fit.budget.model",
    "Prediction": "fit.budget.model",
    "Verdict": "fit.assessment.conformity",
    "Comparison": "fit.statistics.comparison",
    "Rating": "fit.rating.rating",
    "HeatrunError": "fit.errors",
    "RecordError": "fit.errors",
    "BudgetError": "fit.errors",
    "NotIdentifiable": "fit.errors",
}


def __getattr__(name: str) -> Any:
    # Loaded when first used: `heatrun --help` and `heatrun log` start without scipy and pandas.
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    if name == "__version__":
        from importlib.metadata import version

        return version("heatrun")
    raise AttributeError(f"module 'fit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted((*__all__, "__doc__", "__name__", "__version__"))
