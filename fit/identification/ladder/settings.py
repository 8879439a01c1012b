"""What the search for a ladder is told: what was known before the run, and when to be content.

Every value has its reason beside it: a source, the benchmark that chose it, or "ours", a choice of
this program. [The method](../../docs/method_ladder.md) shows where each is used.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SearchSettings:
    """Prior knowledge, starts, ends and choice of the ladder's search."""

    # Known before the run: mean where the search starts, standard deviation as given
    ln_value_sd: float = 3.0
    """Of ln R and ln C: known to a factor of twenty. Ours: vague, and keeps what the record does
    not tell from running away."""
    lag_s: float = 2.0
    lag_sd_s: float = 2.0
    """Of a thermocouple's lag, none to a few seconds (common practice): the first two moments of an
    exponential distribution, of greatest entropy with that mean; 5 % are over 6 s."""
    least_lag_s: float = 0.02
    longest_lag_s: float = 20.0
    """Limits of a lag: less is not told from nothing by any scan, more is a fault. Ours."""
    fault_limits: tuple[float, float] = (-0.6, 0.98)
    """Of a fault supposed in the readings: a bead that hangs by a thread misses nearly all of its
    rise; a power 2.5 times what it reads would have been noticed. Ours."""
    left_over_sd_K: float = 20.0
    """Of each lump's rise left over from earlier heat, where a record begins warm. Ours."""
    hidden_s: float = 0.5
    ln_hidden_sd: float = 1.5
    """Time constant of the lump nobody measures, a chip in its package, and of its logarithm: a
    factor of 4 or so (common practice)."""
    hidden_share: float = 0.3
    """Of all spans together: the hidden lump's resistance to start from. Ours."""

    # Where a search starts
    most_starts: int = 6
    """Ours: on `tests.benchmarks.random_rigs` the first or second ends within the noise where the
    product is a ladder at all."""
    seed: int = 7
    """Of the random starts, so that the same record has the same answer. Any would do."""
    scales: tuple[float, ...] = (1.0, 0.3, 3.0)
    """Of the slowest time constant, by turns: all capacities of a start too large or too small.
    Ours."""
    ln_pattern_sd: float = 1.5
    """Of the capacities of a start against each other: a factor of 4 or so. Ours."""
    lag_starts: tuple[float, float] = (0.1, 2.0)
    """In lags as expected: of the starts but the first and the last, drawn evenly. Ours: away from
    both limits."""
    least_span: float = 0.02
    """Of the largest span: one measured as zero or below starts there. Ours."""
    least_capacity: float = 0.01
    """Of the largest capacity: the same. Ours."""
    eased: tuple[float, ...] = (1 / 30, 1 / 5)
    """Weights of a start far off, before the search in earnest: with more noise allowed its
    minimum is wider. Ours."""

    # Where a search ends
    small_gain: float = 0.02
    """Of the weighted sum of squares: moves a parameter by 0.14 of its standard uncertainty, for
    that is where the sum rises by 1."""
    small_promise: float = 0.5
    """Of `small_gain`: a step that promises less is not tried. Ours."""
    idle_steps: int = 2
    """In a row with a small gain: one alone may be a turn of the valley. Ours."""
    most_steps: int = 50
    """Ours: in a narrow curved valley; ten are usual."""
    hopeless_steps: int = 15
    hopeless_cost: float = 30.0
    """After so many steps still so many times as costly as the best found: given up. Ours."""
    longest_step: float = 1.0
    """Of ln R and ln C, and [s] of lags: beyond, the slope says nothing of the sum. Ours."""

    # When it has been searched enough
    sure: float = 0.05
    """Relative uncertainty of the general model's spans that makes it a witness. Ours."""
    noise_deviations: float = 4.0
    """Standard deviations of chi squared above its mean that still are the scans' own noise: once
    in 30 000 records (normal distribution)."""
    far_from_noise: float = 3.0
    """Times the noise: two starts that end so far off have met a product that is no ladder. Of
    those that are, the first or second ends within the noise (`tests.benchmarks.random_rigs`)."""
    agree_u: float = 3.0
    agree_relative: float = 0.01
    """In standard uncertainties, with so much of the span: ladder and general model agree. Common
    practice; the addition is ours, for the uncertainty of a long record is less than its model's
    faults."""
    repeats_unsure: int = 2
    same_cost: float = 0.5
    """A minimum found again so often at the same cost is the lowest, where nobody bears witness:
    half of what moves a parameter by its uncertainty. Ours."""
    repeats_sure: int = 1
    same_span_u: float = 0.3
    """The same where the general model does, by its spans as well, in standard uncertainties: far
    below what is said of them. Ours."""
    moved_span_u: float = 1.0
    """Most that a hidden lump may move spans if it says nothing else of them. Ours."""
    white: float = 1.5
    """Inflation of a variance by correlation: noise that comes and goes from scan to scan. Ours:
    a lag-one correlation of 0.2."""
    least_inflation: float = 1.0
    """Of a white-noise variance by the residuals' scale: the weights' own, which is known. From
    scan to scan a smoothed reference leaves less, but not of slow errors, which a fit takes up."""

    # Which ladders count, and how much is known of them
    adequate: float = 1e-3
    """A ladder is set aside when so bad a fit is rarer than this (as the general model's further
    time constants: `fit.identification.model_order.SIGNIFICANCE`)."""
    same_minimum: float = 0.01
    """Of ln R: two searches ended in one and the same minimum. Ours."""
    longest_reach: float = 2.0
    """Of ln R: an interval of 95 % is followed up to a factor of seven; what is more is said by
    the valleys. Ours."""
    loose_prior: float = 10.0
    """Times all resistances together: a resistance near zero is known in K/W, not by a factor, so
    for its uncertainty the prior of its logarithm is no narrower than that. Ours."""
    valley_cost: float = 8.0
    """In inflated variances: a valley is followed so far up, where e^-4 of the likelihood is left.
    Ours."""
    valley_rounds: int = 3
    """Times that a valley leading further down is begun anew. Ours."""
    valley_stride: float = 1.0
    valley_steps: int = 5
    """Of ln R: a factor e a step, up to a hundred and fifty. Ours."""
    valley_held: float = 0.02
    """Of ln R: how firmly the resistance that is moved is held. Ours."""


SETTINGS = SearchSettings()
