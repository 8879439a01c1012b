"""A probable cause in bench terms: what it amounts to, and what to try in which order."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fit.assessment.hypotheses import (
    COOLING,
    HIGH_RESISTANCE,
    POOR_CONTACT,
    POWER,
    SENSOR,
    SHARING,
    Pattern,
)
from fit.assessment.posterior import Suspect
from fit.budget.model import Stage
from fit.notation import span_name, with_expanded
from fit.signals.channel_faults import ChannelFault

HANDS = (
    "Switch the supply off, disconnect any battery and let the parts cool below 40 °C "
    "before hands go near."
)
LIVE = (
    "Leads and case may be live and parts hot while power is on: measure with insulated probes, "
    "change connections only with the supply off."
)
CONTACT_PRESSURE_EXPONENT = 0.95  # h ∝ p^0.95, metal on metal (Yovanovich)


@dataclass(frozen=True)
class Advice:
    """What a cause amounts to, what to try in order, and the caution that goes with it."""

    text: str
    steps: tuple[str, ...]
    caution: str


def advise(pattern: Pattern, cause: Suspect, size: float) -> Advice:
    """Advice for a cause of a relative size.

    Args:
        pattern: measured and predicted spans.
        cause: what is suspected.
        size: its most likely relative size: of the resistance, of the rise, or of the power.
    """
    if cause.other:
        return swapped(cause.where, cause.other)
    if cause.kind == SENSOR:
        return _sensor(pattern, cause.where, size)
    if cause.kind in (POWER, SHARING):
        return _power(size) if cause.kind == POWER else _sharing(cause.where, size)
    span = next(iter(cause.free))
    text = _raised(pattern, span, cause)
    if cause.kind == POOR_CONTACT:
        stage = next(stage for stage in pattern.stages[span] if stage.name == cause.where)
        return _contact(text, stage, 1 + size)
    if cause.kind == COOLING:
        return Advice(f"Weak cooling at {text}.", COOLING_STEPS, HANDS)
    assert cause.kind == HIGH_RESISTANCE
    return _resistance(text, pattern.stages[span], 1 + size)


def _raised(pattern: Pattern, span: int, cause: Suspect) -> str:
    """'pad: 0.95 K/W measured, 0.55 predicted'."""
    measured, predicted = measured_and_predicted(pattern, span)
    name = span_name([stage.name for stage in pattern.stages[span]], *pattern.span_ends[span])
    if cause.where in (name, pattern.span_name(span)):
        return f"'{name}': {measured} K/W measured, {predicted} K/W predicted"
    lumped = f" ({name}, which holds it)"
    return f"'{cause.where}'{lumped}: {measured} K/W measured, {predicted} K/W predicted"


def measured_and_predicted(pattern: Pattern, span: int) -> tuple[str, str]:
    """A span's measured and predicted resistance [K/W], each with its interval, as in every table.

    Args:
        pattern: measured and predicted spans.
        span: index of the span.
    """
    of = (
        (pattern.measured_K_per_W, pattern.measured_covariance),
        (pattern.predicted_K_per_W, pattern.predicted_covariance),
    )
    measured, predicted = (
        with_expanded(float(R[span]), math.sqrt(covariance[span, span])) for R, covariance in of
    )
    return measured, predicted


def _contact(text: str, stage: Stage, factor: float) -> Advice:
    share = 1 / factor
    area = stage.parameters.get("area_mm2")
    touching = f"{percent(share)} of its area touched"
    if isinstance(area, int | float):
        touching = f"{share * area:.0f} of its {area:.0f} mm² touched"
    apparent = f"as if only {touching}"
    pressure = stage.parameters.get("pressure_MPa")
    if isinstance(pressure, int | float):
        apparent += (
            f", or were pressed with {pressure * share ** (1 / CONTACT_PRESSURE_EXPONENT):.2g} MPa "
            f"instead of {pressure:.2g}"
        )
    screw = stage.parameters.get("screw")
    torque = screw.get("torque_Nm") if isinstance(screw, dict) else None
    to = f" to {torque:g} N·m" if torque else " to the stated torque"
    return Advice(
        f"Poor contact at {text}: it conducts {apparent}.",
        (
            f"Tighten the screws crosswise{to} and repeat the run: "
            "if the resistance falls, it was pressure.",
            "Take it apart: look for a liner left on, a burr, a chip, a screw that bottoms out, "
            "a bowed part.",
            "Read the print that the pad or compound shows: it touched only where it is marked.",
            "Fit a new pad or fresh compound (used ones do not recover) and compare the runs.",
        ),
        HANDS,
    )


def _resistance(text: str, stages: tuple[Stage, ...], factor: float) -> Advice:
    kinds = {stage.kind for stage in stages}
    count = stages[0].parameters.get("count") if len(stages) == 1 else None
    if isinstance(count, int):
        text += f": it conducts as if only {count / factor:.0f} of its {count} vias did"
    steps = []
    if "via_array" in kinds:
        steps += [
            "Count the vias under the part, measure their drill, compare with the drawing.",
            "Ask for the plating thickness (a microsection tells): half of it, twice the K/W.",
            "Check that the part is soldered over its whole tab: voids act like missing vias.",
        ]
    if kinds & {"bar", "spreading"}:
        steps.append(
            "Check alloy, section and length of the metal: a casting conducts far less than sheet."
        )
    steps.append("Check the budget's inputs for this part, and where its two thermocouples sit.")
    return Advice(f"High resistance at {text}.", tuple(steps), HANDS)


def _sensor(pattern: Pattern, node: str, size: float) -> Advice:
    j = pattern.nodes.index(node)
    reads = "low" if size > 0 else "high"
    if j == len(pattern.nodes) - 1:
        text = (
            f"The '{node}' thermocouple does not read the room: the last span is off and no other."
        )
        step = "Move it level with the product, out of its warm air and out of draughts and sun."
        return Advice(text, (step, "Repeat the run."), HANDS)
    before, after = pattern.spans_at(node)
    above = " and ".join(f"'{pattern.span_name(i)}'" for i in before)
    below = " and ".join(f"'{pattern.span_name(i)}'" for i in after)
    kelvins = size / (1 - size) * pattern.rise_K_per_W[j] * pattern.heat_W
    up, down = ("high", "low") if size > 0 else ("low", "high")
    seen = f"{below} seems {down} by the same kelvins"
    if above:
        seen = f"{above} {'seems' if len(before) == 1 else 'seem'} {up} and {seen}"
    text = (
        f"The '{node}' thermocouple reads {reads} by about {percent(abs(size))} of its rise "
        f"({abs(kelvins):.1f} K), so {seen}."
    )
    steps = (
        "Attach it anew: solder it, or glue it under foil tape, the bead flat on the metal.",
        "Lay the first centimetres of wire along the surface: a free wire cools the bead.",
        "Swap its channel with a neighbour's: an error that follows the channel is the reader's.",
        "Repeat the run before mending anything else.",
    )
    return Advice(text, steps, HANDS)


def swapped(node: str, other: str) -> Advice:
    """Advice for two thermocouples that stand for each other."""
    text = f"The thermocouples of '{node}' and '{other}' read as if they were swapped."
    return Advice(text, SWAPPED_STEPS, HANDS)


def not_believed(fault: ChannelFault) -> Advice:
    """Advice for a channel that measures nothing."""
    return Advice(f"{fault.text}.", NOT_BELIEVED_STEPS[fault.kind], HANDS)


def _power(size: float) -> Advice:
    reads = "high" if size > 0 else "low"
    text = f"All spans are off alike: the power reads {reads} by about {percent(abs(size))}"
    steps = (
        "Measure voltage at the part's own terminals and current with a second meter.",
        "Look for another load on the supply, and for the drop along the leads.",
    )
    if size < 0:
        return Advice(f"{text}.", steps, LIVE)
    second_way = (
        "If the power is right, look for a second way out for the heat, "
        "and mend the budget's path_fraction."
    )
    share = "or that much less of it takes this path than budgeted"
    return Advice(f"{text}, {share}.", (*steps, second_way), LIVE)


def _sharing(source: str, size: float) -> Advice:
    reads = "high" if size > 0 else "low"
    return Advice(
        f"The power of '{source}' reads {reads} by about {percent(abs(size))}: every node rises by"
        " it as if it were another, and by the other sources as budgeted.",
        (
            f"Measure volts and amperes of '{source}' at its own terminals with a second meter.",
            "Check which current is which source's: two readings may be taken for each other.",
            "Look for a load that one supply feeds beside its part, and for the drop along leads.",
        ),
        LIVE,
    )


def percent(share: float) -> str:
    """A share in words: '12 %', and never a certainty.

    >>> percent(0.121), percent(0.9999), percent(0.0001)
    ('12 %', '> 99 %', '< 1 %')
    """
    if share > 0.99:
        return "> 99 %"
    return "< 1 %" if share < 0.01 else f"{100 * share:.0f} %"


COOLING_STEPS = (
    "Give the case free air on all sides, in the position of use, away from walls "
    "and other warm things.",
    "Check the finish: bare metal radiates a tenth of what paint or anodising does.",
    "Check that the ambient thermocouple reads the room and not the warm air by the case.",
    "Repeat the run without draughts; the last span needs the longest record.",
)

SWAPPED_STEPS = (
    "Warm one of them with a fingertip while cold, and see which column rises.",
    "Put channel and node right in the rig (or the columns, where the record is kept), "
    "and check again.",
)

NOT_BELIEVED_STEPS = {
    "unread": (
        "Look for a broken wire or a loose connector: an open thermocouple has no reading.",
        "Check that the channel in the rig is the one that the reader sends.",
        "Repeat the run.",
    ),
    "stuck": (
        "Look for a channel that is not converted any more, or is filled in by the logger.",
        "Check the wire and its connector; move it to another channel to see which is at fault.",
        "Repeat the run.",
    ),
    "copied": (
        "Check in the rig that each node has a field of its own.",
        "Warm each bead with a fingertip while cold, and see which column rises.",
        "Repeat the run.",
    ),
    "swapped": SWAPPED_STEPS,
}
