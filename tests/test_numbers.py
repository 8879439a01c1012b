"""Every number that a page of the method states and the code names is the one in the code."""

from __future__ import annotations

import importlib
import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from fit.identification.ladder.settings import SETTINGS

DOCS = Path(__file__).resolve().parent.parent / "fit" / "docs"


def text_of(page: str) -> str:
    """A page of the documentation as one line."""
    return " ".join((DOCS / page).read_text(encoding="utf-8").replace("**", "").split())


TEXT, LADDER = text_of("numbers.md"), text_of("method_ladder.md")
WORDS = {
    "half": 0.5, "once": 1.0, "two": 2.0, "three": 3.0, "four": 4.0, "five": 5.0, "nine": 9.0,
    "ten": 10.0, "tenth": 0.1, "hundredth": 0.01,
}  # fmt: skip
N = r"([\d.,]+|[A-Za-z]+)"
"""A number, in figures or as a word."""


def percent(value: float) -> float:
    return value / 100


def same(value: float) -> float:
    return value


def ln(value: float) -> float:
    """Of a factor that is stated to two digits."""
    return round(math.log(value), 1)


STATED: list[tuple[str, str, Callable[[float], float]]] = [
    # what the page says, the constant, how the one becomes the other
    (f"by more than {N} times that noise", "fit.signals.spikes.SPIKE_SCALES", same),
    (rf"after each power step \({N} a decade", "fit.signals.cells.CELLS_PER_DECADE", same),
    (f"within ±{N} ± ", "fit.identification.pole_model.REFERENCE_PRIOR_SD", same),
    (f"within ±0.15 ± {N} %", "fit.identification.pole_model.REFERENCE_PRIOR_RELATIVE", percent),
    (f"than chance does at {N} %", "fit.identification.model_order.SIGNIFICANCE", percent),
    (f"at least a factor {N} from its", "fit.identification.model_order.CLOSEST_RATIO", same),
    (rf"u\(ln τ\) under {N},", "fit.identification.model_order.WIDEST_LN_TAU", same),
    (rf"record \(up to {N} of which", "fit.identification.model_order.SEARCHED", same),
    (f"A gain {N} times what is needed", "fit.identification.model_order.OVERWHELMING", same),
    (f"/τ_slowest\\) < {N} %", "fit.identification.identify.SETTLED_SHARE", percent),
    (f"has warmed by {N} K or more", "bench.control.sequence.RISE_AT_LEAST_K", same),
    (f"· τ ≤ {N} % of its rise", "bench.control.sequence.SETTLED", percent),
    (f"through the last {N} of the heating", "bench.control.sequence.SLOPE_SHARE", same),
    (f"at least that time / {N} ", "bench.control.sequence.TIME_CONSTANTS", same),
    (rf"\(after {N} τ, 1 % is left\)", "bench.control.sequence.TIME_CONSTANTS", same),
    (rf"from its error \({N} times\)", "bench.control.sequence.SIGNIFICANT", same),
    (f"up to {N} times the time heated", "bench.control.sequence.SLOWEST", same),
    (f"{N} judgements in a row must", "bench.control.sequence.SETTLED_IN_A_ROW", same),
    (f"The first comes after {N} s", "bench.control.sequence.HEATED_AT_LEAST_S", same),
    (rf"ends when {N} \*estimates\* in a row", "bench.control.sequence.DECIDED_IN_A_ROW", same),
    (f"once it has {N} scans", "fit.measurement.streaming.MOST_ROWS", same),
    (
        f"when the scans have grown by {N} %",
        "fit.measurement.streaming.SPANS_GROWTH",
        lambda value: 1 + value / 100,
    ),
    (f"once it is known to {N} % of its rise", "bench.acquisition.estimator.FINAL_U", percent),
    (f"looked for up to {N} times more and less", "fit.budget.target.FARTHEST", same),
    (f"by bisection, to {N} %", "fit.budget.target.CLOSE", percent),
    (f"{N} draws of p and, for each run", "fit.learning.learn.DRAWS", same),
    (f"path share, {N} otherwise", "fit.budget.inputs.HALF", same),
    (f"exceeded in {N} % of cases or more", "fit.learning.learn.DOUBTED", percent),
    (f"states no noise: {N} K and a step", "fit.planning.bench.NOISE_K", same),
    (f"K and a step of {N} K are taken", "fit.planning.bench.STEP_K", same),
    (f"no more than {N} of its standard", "fit.measurement.discrepancy.NOISE_SIGMAS", same),
    (f"no more than {N} where each residual", "fit.measurement.discrepancy.WHITE_SIGMAS", same),
    (f"with {N} times the power hardly", "fit.planning.expected.MORE_POWER", same),
    (f"is that and {N} times what it", "fit.measurement.discrepancy.OWN_GAIN", same),
    (rf"\(JCGM 106, clause 8\), z = {N}", "fit.planning.experiment.SURE", same),
    (f"looked at up to {N} times the slowest", "fit.planning.expected.LONGEST", same),
    (f"source are the mean of {N} such runs", "fit.planning.junction.DRAWS", same),
    (f"noise and steps divided by {N},", "fit.planning.expected.MORE_POWER", same),
    (f"falls as a slab with {N} of the span", "fit.planning.forward_voltage.DIE", same),
    (rf"of the budget \({N} s where no C", "fit.planning.junction.TYPICAL_TAU_S", same),
    (
        f"Noise of a reading {N} mV",
        "fit.planning.forward_voltage.NOISE_V",
        lambda value: value / 1e3,
    ),
    (
        f"its first at {N} ms unless",
        "fit.planning.forward_voltage.FIRST_S",
        lambda value: value / 1e3,
    ),
    (
        f"so bad a fit, or sensors so far off, are rarer than 1 in {N}",
        "fit.identification.ladder.settings.SETTINGS.adequate",
        lambda value: 1 / value,
    ),
    (f"time constant about {N} s,", "fit.identification.ladder.settings.SETTINGS.hidden_s", same),
    (f"lag is taken as {N} ± ", "fit.identification.ladder.settings.SETTINGS.lag_s", same),
    (f"taken as 2 ± {N} s", "fit.identification.ladder.settings.SETTINGS.lag_sd_s", same),
    (rf"slow \(by {N} % from the", "fit.identification.energy_balance.LEAST_SLOWING", percent),
    (f"in the JSON {N} K/W", "fit.identification.energy_balance.UNKNOWN_K_PER_W", same),
    (rf"leave out \({N} % of the loss", "fit.identification.energy_balance.MODEL_SHARE", percent),
    (f"and half of {N} times what came", "fit.measurement.discrepancy.OCTAVES", same),
    (f"standard deviation, {N}/√12", "fit.measurement.discrepancy.OCTAVES", same),
    (f"is {N} of what the model adds", "fit.measurement.discrepancy.OWN_EXTRAPOLATION", same),
    (f"from {N} s after a step of the power on", "fit.measurement.junction.SETTLED_S", same),
    (f"with silicon's n = {N} ±", "fit.measurement.junction_calibration.CURVATURE", same),
    (f"silicon's n = 3 ± {N} ", "fit.measurement.junction_calibration.CURVATURE_U", same),
    (f"At least {N} K of cool-down", "fit.measurement.junction_calibration.LEAST_SPAN_K", same),
    (rf"each taken to ±{N} K", "fit.measurement.junction_calibration.POINTS_U_K", same),
    (f"The line goes to {N} times", "fit.measurement.junction_extrapolation.LINE_TO", same),
    (f"the cubic to {N} times;", "fit.measurement.junction_extrapolation.CUBIC_TO", same),
    (f"The last {N} windows", "fit.measurement.junction_extrapolation.MOST_WINDOWS", same),
    (
        f"and later than {N} ms in any case",
        "fit.measurement.junction_extrapolation.LATEST_S",
        lambda value: value / 1000,
    ),
    (f"uncertainty is over {N} % of its value", "fit.measurement.resolution.RESOLVED", percent),
    (rf"\(u under {N} % of the largest", "fit.measurement.resolution.NEGLIGIBLE", percent),
    (f"Uncertainties come from {N} Monte Carlo", "fit.budget.prediction.DRAWS", same),
    (f"not stated is {N} times the", "fit.budget.limits.DEFAULT_LIMIT_FACTOR", same),
    (f"uncertainty is taken to {N} %: our", "fit.budget.prediction.CAPACITY_U", percent),
    (f"conforming where p ≥ {N},", "fit.assessment.decision.DECIDED_AT", same),
    (
        f"non-conforming where p ≤ {N},",
        "fit.assessment.decision.DECIDED_AT",
        lambda value: 1 - value,
    ),
    (f"a swap a {N} of a loose", "fit.assessment.hypotheses.PRIOR_SWAPPED", same),
    (f"gains differ by {N} %", "fit.measurement.sensor_placement.GAIN_U", percent),
    (rf"clipped at {N} σ", "fit.signals.scatter.CLIPPED", same),
    (rf"\({N} in ten read low\)", "fit.assessment.hypotheses.READS_LOW", lambda value: value / 10),
    (f"A lead is named from {N} %", "fit.assessment.diagnosis.LEAD_AT", percent),
    (f"from {N} % where all conforms", "fit.assessment.diagnosis.LEAD_WITHIN_LIMITS_AT", percent),
    (f"is taken as {N} % of the change", "fit.rating.operating_point.SCALING_DOUBT", percent),
    (rf"and are marked\. {N} draws", "fit.rating.operating_point.DRAWS", same),
    (r"x\^(−[\d.]+) \(contact", "fit.statistics.trend.CONTACT_EXPONENT", same),
    (f"is expected at {N} K/W,", "fit.identification.tree.network.COUPLING_K_PER_W", same),
    (f"give or take a factor {N}: two", "fit.identification.tree.network.LN_COUPLING_SD", ln),
    (rf"give or take a factor {N}\. A source", "fit.identification.tree.network.LN_LEAK_SD", ln),
    (f"A source is on above {N} % of", "fit.measurement.branches.ON", percent),
    (f"with at least {N} % of all power", "fit.measurement.branches.FULL", percent),
    (f"settled when under {N} % of the", "fit.measurement.branches.SETTLED_SHARE", percent),
    (rf"\(ln R ± {N} about", "fit.assessment.branch_causes.LN_RAISED_SD", same),
    (rf"about \+{N}, ±", "fit.assessment.branch_causes.LN_RAISED", same),
    (rf", ± {N} about −0.55\)", "fit.assessment.branch_causes.LN_LOWERED_SD", same),
    (r"± 0.3 about (−[\d.]+)\)", "fit.assessment.branch_causes.LN_LOWERED", same),
    (f"a bead misses 0 ± {N} of its", "fit.assessment.branch_causes.MISSED_SD", same),
    (f"off by 0 ± {N} of itself", "fit.assessment.branch_causes.GAIN_SD", same),
    (f"free by ± {N} in its", "fit.assessment.branch_causes.UNEXPLAINED_LN_SD", same),
    (f"is called kept within {N} standard", "fit.output.report.rows.AGREE", same),
    (f"Rating: {N} draws of the spans", "fit.rating.branches.DRAWS", same),
    (f"two powers has {N} points", "fit.rating.branches.MAP_POINTS", same),
]


LADDER_STATED: list[tuple[str, tuple[float, ...]]] = [
    # what the page of the ladder's method says, and the settings
    (f"resistances` . ln R of each link . ± {N}:", (SETTINGS.ln_value_sd,)),
    (
        rf"about ln\({N} s\) . ± {N}; hidden ± {N} ",
        (SETTINGS.hidden_s, SETTINGS.ln_value_sd, SETTINGS.ln_hidden_sd),
    ),
    (f"between {N} and {N} s .", (SETTINGS.least_lag_s, SETTINGS.longest_lag_s)),
    (f"{N} ± {N} s .", (SETTINGS.lag_s, SETTINGS.lag_sd_s)),
    (f"0 ± {N} K .", (SETTINGS.left_over_sd_K,)),
    (f"for start 0 … {N}:", (SETTINGS.most_starts - 1,)),
    (f"start is 0 or {N}:", (SETTINGS.most_starts - 1,)),
    (f"none below {N} of the largest", (SETTINGS.least_span,)),
    (f"least squares\\), lags {N} s", (SETTINGS.lag_s,)),
    (f"× \\({N}, {N}, {N} by turns", SETTINGS.scales),
    (f"weights / {N}, then / {N} ", tuple(1 / ease for ease in SETTINGS.eased)),
    (f"after {N} steps at {N} times", (SETTINGS.hopeless_steps, SETTINGS.hopeless_cost)),
    (f"at most {N} steps, each at most {N} in", (SETTINGS.most_steps, SETTINGS.longest_step)),
    (f"after {N} steps in a row that gain", (SETTINGS.idle_steps,)),
    (f"that gain less than {N}, or", (SETTINGS.small_gain,)),
    (f"promises less than {N} of that", (SETTINGS.small_promise,)),
    (f"is over {N} times the noise:", (SETTINGS.far_from_noise,)),
    (f"no better than {N} %:", (100 * SETTINGS.sure,)),
    (f"lowest cost, within {N}, has", (SETTINGS.same_cost,)),
    (f"been found {N} times more", (SETTINGS.repeats_unsure,)),
    (f"every span \\({N} u, {N} %", (SETTINGS.agree_u, 100 * SETTINGS.agree_relative)),
    (rf"\(n \+ {N} s\)", (SETTINGS.noise_deviations,)),
    (f"inflated by less than {N}\\)", (SETTINGS.white,)),
    (f"found {N} more, the same", (SETTINGS.repeats_sure,)),
    (f"every span within {N} u,", (SETTINGS.same_span_u,)),
    (f"no span by over {N} u:", (SETTINGS.moved_span_u,)),
    (f"at 1 in {N} \\(χ²", (1 / SETTINGS.adequate,)),
    (f"is moved by {N} in its", (SETTINGS.valley_stride,)),
    (f"up to {N} times up and down", (SETTINGS.valley_steps,)),
    (f"held there \\(± {N}\\)", (SETTINGS.valley_held,)),
    (f"within {N} inflated variances", (SETTINGS.valley_cost,)),
    (f"at most {N} times. All that", (SETTINGS.valley_rounds,)),
    (rf"in ln R \(at most {N}\):", (SETTINGS.longest_reach,)),
]


def constant(name: str) -> Any:
    """What a module's constant is, by its dotted name."""
    parts = name.split(".")
    first = next(i for i, part in enumerate(parts) if part.isupper())
    found: Any = importlib.import_module(".".join(parts[:first]))
    for attribute in parts[first:]:
        found = getattr(found, attribute)
    return found


def number(text: str) -> float:
    """A number in figures or as a word."""
    text = text.strip(".,").replace("−", "-").lower()
    return WORDS[text] if text in WORDS else float(text)


@pytest.mark.parametrize(("says", "name", "becomes"), STATED, ids=[one[1] for one in STATED])
def test_a_stated_number_is_the_constant(
    says: str, name: str, becomes: Callable[[float], float]
) -> None:
    found = re.findall(says, TEXT)
    assert len(found) == 1, f"numbers.md says it {len(found)} times: put it and this table right"
    assert becomes(number(found[0])) == pytest.approx(constant(name))


@pytest.mark.parametrize(("says", "settings"), LADDER_STATED, ids=[one[0] for one in LADDER_STATED])
def test_a_number_of_the_ladders_search_is_the_setting(
    says: str, settings: tuple[float, ...]
) -> None:
    found = re.findall(says, LADDER)
    assert len(found) == 1, f"method_ladder.md says it {len(found)} times: put it right"
    stated = found[0] if isinstance(found[0], tuple) else found
    assert [number(one) for one in stated] == pytest.approx(settings)


def test_priors_of_the_causes_are_the_ones_stated() -> None:
    from fit.assessment.hypotheses import (
        COOLING,
        HIGH_RESISTANCE,
        OVERESTIMATED,
        POOR_CONTACT,
        POWER,
        PRIOR,
        SENSOR,
        SHARING,
    )

    says = (
        r"poor contact (\d+) %, sensor (\d+) %, high resistance (\d+) %, weak cooling (\d+) %, "
        r"power (\d+) %, budget too high (\d+) %"
    )
    (found,) = re.findall(says, TEXT)
    kinds = (POOR_CONTACT, SENSOR, HIGH_RESISTANCE, COOLING, POWER, OVERESTIMATED)
    assert [float(one) / 100 for one in found] == [PRIOR[kind] for kind in kinds]
    (sharing,) = re.findall(r"prior of a power that is one source's alone is (\d+) %", TEXT)
    assert float(sharing) / 100 == PRIOR[SHARING]


def test_sizes_of_the_causes_are_the_ones_stated() -> None:
    from fit.assessment.hypotheses import OVERESTIMATED, causes
    from tests.fit.assessment.test_diagnosis import pattern

    (raised,) = re.findall(r"one resistance up by (\d+) to (\d+) %", TEXT)
    (missed,) = re.findall(r"thermocouple missing (\d+) to (\d+) % of its rise", TEXT)
    (too_much,) = re.findall(r"or showing (\d+) to (\d+) % too much", TEXT)
    (scaled,) = re.findall(r"all spans scaled by (\d+) to (\d+) %", TEXT)
    (better,) = re.findall(r"better than its budget by (\d+) to (\d+) %", TEXT)
    stated = {
        "poor-contact": [raised],
        "sensor-placement": [missed, too_much],
        "power-error": [scaled, scaled],
        OVERESTIMATED: [better],
    }
    for cause in causes(pattern()):
        if cause.kind not in stated or cause.other:
            continue
        sides = [
            side for side in (cause.size[cause.size > 0], -cause.size[cause.size < 0]) if side.size
        ]
        for ends, size in zip(stated[cause.kind], sides, strict=True):
            assert [size.min(), size.max()] == pytest.approx([float(one) / 100 for one in ends])


def test_exponents_of_the_loss_are_the_ones_stated() -> None:
    from fit.identification.energy_balance import EXPONENTS, HIDDEN_LAGS_S

    (said,) = re.findall(r"dt, n = ([\d., ]+\d) n = 1/4", TEXT)
    assert tuple(float(one) for one in said.split(", ")) == EXPONENTS
    (lags,) = re.findall(r"with lags from (\d+) to (\d+) s", TEXT)
    assert tuple(map(float, lags)) == (HIDDEN_LAGS_S[0], HIDDEN_LAGS_S[-1])


def test_time_constants_while_logging_are_at_most_as_many_as_stated() -> None:
    from fit.measurement.streaming import Follower

    (most,) = re.findall(r"with up to (\w+) time constants", TEXT)
    assert Follower(("tab", "ambient")).max_order == number(most)


def test_the_term_of_a_warm_start_is_used_where_it_is_said_to_be() -> None:
    """With power or without, where a record begins warm; not where it begins at rest."""
    from fit.identification.pole_model import Model, reduce
    from fit.signals.preparation import prepare
    from tests.fit.identification.test_response import made_run

    assert "records that begin warm, with power or without" in TEXT
    signals = prepare(made_run())
    record = reduce(signals, signals.nodes[:-1], signals.nodes[-1])
    assert [record.hot_start, len(Model(record, 2).e)] == [False, 0]
    warm = Model(replace(record, hot_start=True), 2)
    assert warm.powered
    assert len(warm.e) == 2
