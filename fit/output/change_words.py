"""What changed between runs, in a sentence."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fit.assessment.decision import CONFORMING, NON_CONFORMING
from fit.notation import fixed, minus, with_expanded

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.statistics.comparison import Comparison, SpanComparison

NO_CHANGE = "nothing changed by more than the runs can tell"
VERBS = {"higher": "rose", "lower": "fell"}
MARKS = {"higher": "▲ higher", "lower": "▼ lower", "none seen": "none seen"}


@dataclass(frozen=True)
class Change:
    """The headline over two runs, the earlier and the later."""

    state: str  # as a verdict's: conforming | non-conforming | undecided | none
    headline: str
    text: str


def change_in_words(comparison: Comparison, run: int = 1) -> str:
    """How a run differs from the first.

    Args:
        comparison: of several runs.
        run: place of the other run.

    Returns:
        A sentence such as "pad fell by 0.74 ± 0.02 K/W (−54 %); nothing else changed".
    """
    from fit.statistics.comparison import resolved_readings

    unit = comparison.runs[0].power_unit
    known = resolved_readings(comparison.spans)
    changed, open_spans = [], []
    for row, span in enumerate(comparison.spans):
        if not (known[row, 0] and known[row, run]):
            open_spans.append(span.name)
        elif span.readings[run].change in VERBS:
            changed.append(_changed(span, run, unit))
    rest = "nothing else changed" if changed else NO_CHANGE
    unresolved = [f"{', '.join(open_spans)} not resolved"] if open_spans else []
    return "; ".join([*changed, rest, *unresolved])


def _changed(span: SpanComparison, run: int, unit: str) -> str:
    reading, before = span.readings[run], span.readings[0].R_K_per_W
    by = with_expanded(abs(reading.difference_K_per_W), reading.difference_u_K_per_W)
    percent = 100 * reading.difference_K_per_W / abs(before)
    share = "under 1" if abs(percent) < 1 else minus(fixed(percent, 0, sign=True))
    return f"{span.name} {VERBS[reading.change]} by {by} K/{unit} ({share} %)"


def sentences(comparison: Comparison) -> Iterator[str]:
    """A sentence for each run after the first; of many, for those that differ from it.

    Args:
        comparison: of several runs.

    Returns:
        Sentences; with three runs or more each begins with its run.
    """
    if len(comparison.runs) == 2:
        yield f"From the first run to the second, {change_in_words(comparison)}"
        return
    alike = 0
    for i, run in enumerate(comparison.runs[1:], start=1):
        sentence = change_in_words(comparison, i)
        if sentence.startswith(NO_CHANGE):
            alike += 1
        else:
            yield f"{run.path.name}: {sentence}"
    if alike:
        yield f"{alike} of {len(comparison.runs) - 1} runs: {NO_CHANGE} from the first"


def mended(comparison: Comparison, before: Verdict | None, after: Verdict | None) -> Change:
    """Whether the later of two runs shows the product mended.

    Args:
        comparison: of the earlier run and the later one, in this order.
        before: verdict of the earlier run; None where no budget is known.
        after: verdict of the later run.

    Returns:
        The headline, and the sentence that it rests on.
    """
    text = f"Since the run before, {change_in_words(comparison)}."
    changes = {span.readings[1].change for span in comparison.spans}
    if before is None or after is None:
        return Change("none", "Changed" if changes & set(VERBS) else "No change seen", text)
    if after.decision == CONFORMING:
        was_over = before.decision == NON_CONFORMING
        return Change(CONFORMING, "Mended" if was_over else "Within budget", text)
    if after.decision != NON_CONFORMING:
        return Change(after.decision, "Not decided whether it is mended", text)
    if before.decision != NON_CONFORMING:
        return Change(NON_CONFORMING, "Now over budget", text)
    headline = {
        (True, False): "Better, and still over budget",
        (False, True): "Not mended: worse than before",
    }.get(("lower" in changes, "higher" in changes), "Not mended")
    return Change(NON_CONFORMING, headline, text)
