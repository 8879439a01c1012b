"""The record that a junction's forward voltage would leave: windows and the tab's scans.

The junction lies above its tab by R P and falls, once the heating is interrupted, as a die does
that meets most of its resistance below it: a slab, heated on its face, on a layer without heat.
Its mean time, ∫ (what is left of the rise) dt, is the budget's R C, as a lump's would be.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np

from fit.budget.model import Array
from fit.measurement.junction import BESIDE_MOST_S, BESIDE_S, LEAST_SCANS
from fit.measurement.junction_calibration import CURVATURE, ZERO_degC_K, bend_V
from fit.measurement.junction_extrapolation import MOST_WINDOWS
from fit.network.modes import modes
from fit.network.topology import chain
from fit.records.metadata import NOT_KNOWN
from fit.records.run import Run
from fit.records.vf_windows import VfWindows
from fit.signals.preparation import Signals

# Where the rig states nothing: what the virtual sense source has (`data/junction/prototype.toml`).
FIRST_S, LAST_S, READINGS = 1e-4, 5e-3, 50
NOISE_V, STEP_V = 1.2e-4, 6.1e-5
K_V_PER_K, LEVEL_V, LEVEL_K = 2e-3, 0.6, 298.15  # a silicon junction's (common practice)
# Of the span from junction to tab, the die's own share; the rest lies below it in glue, solder and
# copper. With a quarter the line in √t errs by as much as of 80 drawn parts (seeds 0-79 of
# `tests.support.made_junctions`): 1.15 % against 1.09 %, root mean square.
DIE = 0.25
CELLS, GROWTH = 40, 30.0  # of the slab, thinnest at its face: right from RC/1000 on. Ours
LAG_S = 1.5  # of the tab's bead where nobody states it, as the calibration supposes
PAST = 6  # points of a bead's past: exact where the tab moves as a polynomial of degree 11
MOST_COLD = 400  # windows without heating: more of them look at the same scans of the tab. Ours
LATE = 0.1  # of an interval: when a window opens after its scan. Ours


@dataclass(frozen=True)
class ForwardVoltage:
    """How a rig reads the voltage; see `fit.planning.bench`."""

    node: str  # the junction
    cool_s: float  # recorded after the heating
    points: tuple[tuple[float, float], ...] = ()  # stated calibration: [degC], [V]
    every_s: float | None = None  # between windows while heated; one a scan where None
    first_s: float = FIRST_S  # age of the first reading
    last_s: float = LAST_S
    readings: int = READINGS
    noise_V: float = NOISE_V  # of one reading, standard deviation
    step_V: float = STEP_V  # of the converter
    lags: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Node -> time constant of its bead and its uncertainty [s], as the measurement takes them."""

    @property
    def age_s(self) -> Array:
        """When a window is read (m,) [s since the interruption]."""
        return np.linspace(self.first_s, max(self.last_s, 3 * self.first_s), self.readings)


@dataclass(frozen=True, eq=False)
class Scanned:
    """How the tab and the power are read beside it."""

    tab: str
    interval_s: float
    soak_s: float
    noise_K: float
    step_K: float
    match_u: float  # relative, of the tab's rise
    power_u: float  # relative


@dataclass(frozen=True, eq=False)
class Heated:
    """A junction on its tab while the power is on."""

    above_K: float  # junction less tab
    tau_s: float  # R C
    power_W: float
    ambient_degC: float
    tab_rise_K: Callable[[Array], Array]  # time since the power came on (n,) [s] -> rise (n,) [K]

    def larger(self, factor: float) -> Heated:
        """The same with a resistance to the tab so many times as large."""
        return replace(self, above_K=factor * self.above_K, tau_s=factor * self.tau_s)


def left(age_s: Array, tau_s: float) -> Array:
    """Share of the junction's rise above its tab that is left after an interruption.

    Args:
        age_s: since the interruption (m,) [s].
        tau_s: R C of the span [s].

    Returns:
        The share (m,).

    >>> left(np.array([0.0, 0.02]), 0.02).round(2).tolist()
    [1.0, 0.37]
    """
    share, relative = _die()
    return np.asarray(np.exp(-np.divide.outer(age_s, relative * tau_s)) @ share)


@cache
def _die() -> tuple[Array, Array]:
    """Amplitudes and time constants of a die on what lies below it, of R = 1 and R C = 1."""
    width = np.geomspace(1.0, GROWTH, CELLS)
    width /= width.sum()
    R = DIE * width
    R[-1] += 1 - DIE
    C = np.convolve(width, [0.5, 0.5])[:CELLS]
    below = np.cumsum(R[::-1])[::-1]
    C /= C @ below**2  # the mean time of a chain heated at its head, over its R (Elmore)
    nodes = (*(f"cell_{i}" for i in range(CELLS)), "tab")
    return modes(chain(nodes), R, C).terms(nodes[0])


def record(
    heated: Heated,
    voltage: ForwardVoltage,
    scanned: Scanned,
    heat_s: float,
    *,
    random: np.random.Generator,
    quieter: float = 1.0,
) -> tuple[Run, Signals]:
    """The part of a run that `measure_junction` looks at: soak, last windows, cool-down.

    Args:
        heated: the junction.
        voltage: how it is read.
        scanned: how its tab is.
        heat_s: heated so long [s].
        random: of noise.
        quieter: by what noise and steps are divided.

    Returns:
        The run with its windows, and its signals.
    """
    on_s, off_s = scanned.soak_s, scanned.soak_s + heat_s
    opened_s, hot = _opened(voltage, scanned, heat_s)
    end_s = off_s + voltage.cool_s
    t_s = scanned.interval_s * np.arange(np.ceil(end_s / scanned.interval_s) + 1)
    seen_from_s = (opened_s[hot][0] if hot.any() else off_s) - 2 * BESIDE_MOST_S
    t_s = t_s[(t_s <= on_s) | (t_s >= seen_from_s)]

    def tab_degC(at_s: Array) -> Array:
        up, down = (heated.tab_rise_K(np.maximum(at_s - edge, 0.0)) for edge in (on_s, off_s))
        return heated.ambient_degC + up - down

    lag_s, _ = voltage.lags.get(scanned.tab, (LAG_S, 0.0))
    # A bead's mean of its tab's past, of weight exp(-age/lag), by Gauss and Laguerre's rule.
    past, weight = np.polynomial.laguerre.laggauss(PAST)
    true = tab_degC(np.subtract.outer(t_s, lag_s * past).ravel()).reshape(-1, PAST) @ weight
    bead = _read(true, scanned.noise_K / quieter, scanned.step_K / quieter, random)
    age_s = voltage.age_s
    above = heated.above_K * np.outer(hot, left(age_s, heated.tau_s))
    volts = _volts(voltage, (tab_degC(opened_s)[:, np.newaxis] + above).ravel())
    volts = _read(volts, voltage.noise_V / quieter, voltage.step_V / quieter, random)
    windows = VfWindows(
        voltage.node, np.repeat(opened_s, len(age_s)), np.tile(age_s, len(opened_s)), volts
    )
    on = (t_s >= on_s) & (t_s < off_s)
    power = np.where(on, heated.power_W, 0.0)
    run = Run(
        path=Path("planned"),
        label="planned",
        nodes=(scanned.tab,),
        t_s=t_s,
        temperature_degC=bead[:, np.newaxis],
        power=power,
        metadata=replace(
            NOT_KNOWN,
            match_u={scanned.tab: scanned.match_u},
            power_u=scanned.power_u,
            vf_points=voltage.points,
            lags=voltage.lags,
        ),
        vf_windows=windows,
    )
    return run, _as_signals(run, tuple(edge for edge in (on_s, off_s) if t_s[0] < edge < t_s[-1]))


def _as_signals(run: Run, edges_s: tuple[float, ...]) -> Signals:
    """Signals of a run whose offsets are known: they cancel between junction and tab."""
    return Signals(
        t_s=run.t_s,
        nodes=run.nodes,
        temperature_degC=run.temperature_degC,
        power=run.power,
        power_unit=run.power_unit,
        zero_power_offset_K=np.zeros(1),
        zero_power_offset_u_K=np.zeros(1),
        power_edges_s=edges_s,
        left_out=(),
        warnings=(),
        lags=run.metadata.lags,
    )


def _opened(
    voltage: ForwardVoltage, scanned: Scanned, heat_s: float
) -> tuple[Array, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """When each window opens (w,) [s], and whether it is heated: the last ones of the heating."""
    every_s = voltage.every_s or scanned.interval_s
    cold_s = max(every_s, BESIDE_S / 2, voltage.cool_s / MOST_COLD)
    late_s = LATE * scanned.interval_s
    on_s, off_s = scanned.soak_s, scanned.soak_s + heat_s
    soak = np.arange(late_s, on_s, max(cold_s, on_s / MOST_COLD))
    # The last ones have too few scans of the tab before the step to be used.
    spoilt = int(np.ceil(max(BESIDE_S, LEAST_SCANS / 2 * scanned.interval_s) / every_s))
    count = min(MOST_WINDOWS + spoilt, int(heat_s / every_s))
    heated = off_s + late_s - every_s * np.arange(count, 0, -1)
    cool = np.arange(off_s + late_s, off_s + voltage.cool_s, cold_s)
    hot = np.repeat([False, True, False], [len(soak), len(heated), len(cool)])
    return np.concatenate([soak, heated, cool]), hot


def _volts(voltage: ForwardVoltage, degC: Array) -> Array:
    """Forward voltage (n,) [V] at degC (n,): silicon's, or through the stated points."""
    slope, level, reference_K = K_V_PER_K, LEVEL_V, LEVEL_K
    if voltage.points:
        at, stated = np.array(voltage.points).T
        reference_K = float(at.mean()) + ZERO_degC_K
        if np.ptp(at) > 0:
            fall, level = np.polyfit(at - at.mean(), stated, 1)
            slope = -float(fall)
    T = degC + ZERO_degC_K
    return np.asarray(level - slope * (T - reference_K) - CURVATURE * bend_V(T, reference_K))


def _read(true: Array, noise: float, step: float, random: np.random.Generator) -> Array:
    """Readings (n,) with noise, to the next step."""
    seen = true + noise * random.standard_normal(len(true))
    return np.asarray(np.round(seen / step) * step if step else seen)
