"""The rows of a report's tables, as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.assessment.decision import UNDECIDED
from fit.measurement.resolution import NOT_RESOLVED
from fit.notation import UNKNOWN, digits, fixed, minus, with_expanded
from fit.output.change_words import MARKS
from fit.output.text import percent
from fit.statistics.comparison import resolved_readings

AGREE = 2.0  # standard uncertainties: 95 % of what agrees does so within

if TYPE_CHECKING:
    from fit.assessment.conformity import SpanVerdict, Verdict
    from fit.identification.response import Response
    from fit.output.documents import Ladder
    from fit.output.path_view import PathSpan
    from fit.statistics.comparison import Comparison


def span_row(span: PathSpan, judged: SpanVerdict | None) -> dict[str, str]:
    """A span's cells: predicted, limit, measured, probability and decision.

    Args:
        span: of the path.
        judged: the verdict on it; None where no budget was given.

    Returns:
        Cells by column name.
    """
    decided = span.resolved or span.decision != UNDECIDED
    row = {
        "name": span.name,
        "state": span.decision or "",
        "measured": "not measured",
        "predicted": "",
        "limit": "",
        "probability": UNKNOWN,
        "E_n": UNKNOWN,
        "decision": span.decision or "not measured",
    }
    if span.measured_K_per_W is not None:
        value = with_expanded(span.measured_K_per_W, span.measured_u_K_per_W or 0.0)
        row["measured"] = minus(value) if span.resolved else NOT_RESOLVED
    if span.predicted_K_per_W is not None and span.limit_K_per_W is not None:
        row["predicted"] = with_expanded(span.predicted_K_per_W, span.predicted_u_K_per_W or 0.0)
        row["limit"] = digits(span.limit_K_per_W)
    if judged and judged.p_conforming is not None and decided:
        row["probability"] = percent(judged.p_conforming)
    if judged and judged.E_n is not None and span.resolved:
        row["E_n"] = minus(fixed(judged.E_n, 1, sign=True))
    return row


def source_table(verdict: Verdict | None) -> dict[str, object]:
    """What each of several sources warms; empty of one.

    Args:
        verdict: of a run.

    Returns:
        Heading, column names, rows of text, and what reciprocity says.
    """
    found = verdict.sources if verdict is not None else None
    if found is None:
        return {}
    columns = [
        f"{name} ({digits(power)} W)"
        for name, power in zip(found.names, found.power_W, strict=True)
    ]
    rows = [
        (node, [minus(fixed(float(value), 2)) for value in row])
        for node, row in zip(found.nodes, found.matrix_K_per_W, strict=True)
    ]
    apart = [
        f"{a} warms {b} as {b} warms {a}: "
        + ("so it was measured" if abs(z) <= AGREE else "not so measured, a reading is wrong")
        + f" (z = {minus(fixed(z, 1, sign=True))})"
        for a, b, z in found.reciprocity
    ]
    return {"above": found.above, "columns": columns, "rows": rows, "reciprocity": apart}


def tau_rows(response: Response, verdict: Verdict | None) -> list[dict[str, str]]:
    """A row for each time constant: measured, predicted, resistance.

    Args:
        response: as identified.
        verdict: of the same run; None where no budget was given.

    Returns:
        Cells by column name.
    """
    predicted = {
        constant.measured_s: digits(constant.predicted_s)
        for constant in (verdict.time_constants if verdict else ())
        if constant.predicted_s is not None
    }
    return [
        {
            "tau": with_expanded(float(tau), float(tau_u)),
            "predicted": predicted.get(float(tau), "–"),
            "R": minus(with_expanded(float(R), float(R_u))) if response.power else "–",
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
    return [(digits(R), digits(C)) for R, C in zip(ladder.R_K_per_W, ladder.C_J_per_K, strict=True)]


def tau_predicted(verdict: Verdict | None) -> str:
    """All time constants that the budget predicts, in one line.

    Args:
        verdict: of the run; None where no budget was given.

    Returns:
        The time constants [s]; empty without a budget.
    """
    if verdict is None:
        return ""
    return ", ".join(digits(tau) for tau in verdict.prediction.tau_s if tau > 0)


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


def pair_rows(comparison: Comparison | None) -> list[dict[str, str]]:
    """A row for each span of two runs, the earlier beside the later.

    Args:
        comparison: of several runs, if there is one.

    Returns:
        Cells by column name; empty where there are not two runs.
    """
    if comparison is None or len(comparison.runs) != 2:
        return []
    each = iter(comparison_rows(comparison))
    return [
        {
            "span": before["span"],
            "before": before["measured"],
            "after": after["measured"],
            "difference": after["difference"],
            "change": MARKS[after["change"]],
            "state": after["change"],
        }
        for before, after in zip(each, each, strict=True)
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
            "span": span.name,
            "run": measured.path.name,
            "measured": minus(with_expanded(reading.R_K_per_W, reading.u_K_per_W))
            if known[row, i]
            else NOT_RESOLVED,
            "difference": minus(
                with_expanded(reading.difference_K_per_W, reading.difference_u_K_per_W, sign=True)
            )
            if i and known[row, i] and known[row, 0]
            else "–",
            "change": reading.change if i else "first",
        }
        for row, span in enumerate(comparison.spans)
        for i, (measured, reading) in enumerate(zip(comparison.runs, span.readings, strict=True))
    ]
