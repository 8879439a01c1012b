"""The rows of a report's tables, as text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from fit.assessment.decision import UNDECIDED
from fit.measurement.resolution import NOT_RESOLVED
from fit.output.path_view import PathView
from fit.output.terminal.check import with_expanded
from fit.output.text import percent
from fit.statistics.comparison import resolved_readings

if TYPE_CHECKING:
    from fit.assessment.conformity import SpanVerdict, Verdict
    from fit.identification.response import Response
    from fit.output.documents import Ladder
    from fit.statistics.comparison import Comparison


def path_rows(path: PathView, verdict: Verdict | None) -> list[dict[str, str]]:
    """A row for each span: predicted, limit, measured, probability and decision.

    Args:
        path: nodes and spans.
        verdict: of the same run; None where no budget was given.

    Returns:
        Cells by column name.
    """
    rows = []
    verdicts: Sequence[SpanVerdict | None] = verdict.spans if verdict else [None] * len(path.spans)
    for span, judged in zip(path.spans, verdicts, strict=True):
        decided = span.resolved or span.decision != UNDECIDED
        row = {
            "name": span.name,
            "state": span.decision or "",
            "measured": "not measured",
            "predicted": "",
            "limit": "",
            "probability": "–",
            "E_n": "–",
            "decision": span.decision or "not measured",
        }
        if span.measured_K_per_W is not None:
            row["measured"] = (
                with_expanded(span.measured_K_per_W, span.measured_u_K_per_W or 0.0)
                if span.resolved
                else NOT_RESOLVED
            )
        if span.predicted_K_per_W is not None and span.limit_K_per_W is not None:
            row["predicted"] = with_expanded(
                span.predicted_K_per_W, span.predicted_u_K_per_W or 0.0
            )
            row["limit"] = f"{span.limit_K_per_W:.3g}"
        if judged and judged.p_conforming is not None and decided:
            row["probability"] = percent(judged.p_conforming)
        if judged and judged.E_n is not None and span.resolved:
            row["E_n"] = f"{judged.E_n:+.1f}".replace("-", "−")
        rows.append(row)
    return rows


def tau_rows(response: Response, verdict: Verdict | None) -> list[dict[str, str]]:
    """A row for each time constant: measured, predicted, resistance.

    Args:
        response: as identified.
        verdict: of the same run; None where no budget was given.

    Returns:
        Cells by column name.
    """
    predicted = {
        constant.measured_s: f"{float(f'{constant.predicted_s:.3g}'):g}"
        for constant in (verdict.time_constants if verdict else ())
        if constant.predicted_s is not None
    }
    return [
        {
            "tau": with_expanded(float(tau), float(tau_u)),
            "predicted": predicted.get(float(tau), "–"),
            "R": with_expanded(float(R), float(R_u)).replace("-", "−") if response.power else "–",
        }
        for tau, tau_u, R, R_u in zip(
            response.tau_s,
            response.tau_u_s,
            response.foster_R_K_per_W,
            response.foster_R_u_K_per_W,
            strict=True,
        )
    ]


def ladder_rows(ladder: Ladder | None) -> list[tuple[str, str]]:
    """A row for each step of the ladder, heat source first.

    Args:
        ladder: of the heated node, if there is one.

    Returns:
        Resistance and heat capacity of each step.
    """
    if ladder is None:
        return []
    return [
        (f"{R:.3g}", f"{C:.3g}") for R, C in zip(ladder.R_K_per_W, ladder.C_J_per_K, strict=True)
    ]


def tau_predicted(verdict: Verdict | None) -> str:
    """All time constants that the budget predicts, in one line.

    Args:
        verdict: of the run; None where no budget was given.

    Returns:
        The time constants [s]; empty without a budget.
    """
    if verdict is None:
        return ""
    return ", ".join(f"{float(f'{tau:.3g}'):g}" for tau in verdict.prediction.tau_s if tau > 0)


def drivers(verdict: Verdict | None, largest: int = 8) -> list[tuple[str, str, str]]:
    """Inputs with the largest shares of the prediction's variance.

    Args:
        verdict: of the run; None where no budget was given.
        largest: how many at most.

    Returns:
        Stage, key and share of each; those under half a per cent are left out.
    """
    if verdict is None:
        return []
    return [
        (stage, key, f"{100 * share:.0f} %")
        for stage, key, share in verdict.prediction.drivers[:largest]
        if share >= 0.005
    ]


def comparison_rows(comparison: Comparison | None) -> list[dict[str, str]]:
    """A row for each span in each run.

    Args:
        comparison: of several runs, if there is one.

    Returns:
        Cells by column name.
    """
    if comparison is None:
        return []
    known = resolved_readings(comparison.spans)
    return [
        {
            "span": f"{span.from_node} – {span.to_node}",
            "run": measured.label,
            "measured": with_expanded(reading.R_K_per_W, reading.u_K_per_W)
            if known[row, i]
            else NOT_RESOLVED,
            "difference": with_expanded(reading.difference_K_per_W, reading.difference_u_K_per_W)
            if i and known[row, i] and known[row, 0]
            else "–",
            "change": reading.change if i else "first",
        }
        for row, span in enumerate(comparison.spans)
        for i, (measured, reading) in enumerate(zip(comparison.runs, span.readings, strict=True))
    ]
