"""The one judge of a run that is not finished: what `check` would say of the record so far."""

from __future__ import annotations

from fit.assessment.branch_conformity import check_run
from fit.assessment.conformity import Verdict, ambient_of_run, hold
from fit.budget import predict
from fit.budget.model import Budget, Prediction
from fit.errors import HeatrunError
from fit.measurement.spans import Spans
from fit.records.run import Run

# A prediction is good for so small a change of power and ambient: its uncertainty is far larger.
SAME_POWER = 0.01
SAME_AMBIENT_K = 1.0  # radiation, half of a case's loss, goes as T^3: R to air by half a per cent


class LiveJudge:
    """Holds spans against a budget as `check` does, predicting anew only where conditions moved."""

    def __init__(self, budget: Budget) -> None:
        self._budget = budget
        self._prediction: Prediction | None = None

    def verdict(self, spans: Spans) -> Verdict | None:
        """The verdict on the spans so far; None where they and the budget do not go together."""
        try:
            return hold(spans, self._predicted(spans))
        except HeatrunError:
            return None

    def _predicted(self, spans: Spans) -> Prediction:
        ambient = ambient_of_run(spans, self._budget)
        if ambient is None:
            ambient = self._budget.conditions.ambient_degC
        known = self._prediction
        if (
            known is None
            or abs(spans.power_W / known.power_W - 1) > SAME_POWER
            or abs(ambient - known.ambient_degC) > SAME_AMBIENT_K
        ):
            known = predict(self._budget, power_W=spans.power_W, ambient_degC=ambient)
            self._prediction = known
        return known


def verdict_so_far(run: Run, budget: Budget) -> Verdict | None:
    """What `check` says of a run of several sources that is not finished.

    All of the record is fitted anew, and every cause tried: seconds of work, so ask seldom.

    Args:
        run: the record so far.
        budget: its tree.

    Returns:
        The verdict, or None while the record carries none.
    """
    try:
        return check_run(run, budget)
    except HeatrunError:
        return None
