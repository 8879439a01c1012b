"""Span resistances between neighbouring measured nodes, with their covariance by source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from fit.errors import NotIdentifiable
from fit.identification.energy_balance import UNKNOWN_K_PER_W
from fit.identification.identify import Identification, identify_signals, path_order
from fit.identification.ladder.model import LadderModel
from fit.identification.ladder.search import Ladder
from fit.identification.ladder.selection import adequate_ladder
from fit.identification.pole_model import CellRecord
from fit.identification.response import Response
from fit.measurement.discrepancy import (
    OWN_EXTRAPOLATION,
    is_glimpse,
    is_noise,
    ladder_discrepancy_u,
    last_doubling,
)
from fit.measurement.junction import Junction, measure_junction
from fit.measurement.junction_span import junction_notes, junction_untold, with_junction
from fit.measurement.lower_bounds import end_degC, least_K_per_W
from fit.measurement.resolution import are_resolved
from fit.measurement.sensor_placement import SlowShare, slow_share
from fit.network.topology import Topology, chain
from fit.notation import with_expanded
from fit.records.run import Array, Run
from fit.signals.channel_faults import ChannelFault
from fit.signals.preparation import Signals, only, prepare
from fit.tabular import Tabular

if TYPE_CHECKING:
    from pandas import DataFrame

SHORT, SHORT_U = 0.05, 4.0  # relative, and in u: by how much a span may be below its lower bound


@dataclass(frozen=True, eq=False)
class Spans(Tabular):
    """Resistances between neighbouring measured nodes, per watt of the *recorded* power.

    The path share is not applied here: it belongs to the budget. `covariance` holds the named
    contributions ("fit", "discrepancy", "offset", "sensor_match", "power"), each (s, s).
    """

    nodes: tuple[str, ...]  # s + 1 measured nodes in order of the heat path, ambient last
    R_K_per_W: Array  # (s,), span i lies between nodes[i] and nodes[i + 1]
    covariance: Mapping[str, Array]  # name -> (s, s) [(K/W)^2]
    power_W: float  # recorded power while heating [W]
    final_degC: (
        Array  # (s + 1,) temperatures at the settled end (extrapolated where not settled) [degC]
    )
    settled: bool
    warnings: tuple[str, ...]
    slow_share: SlowShare | None = None  # evidence on the thermocouples' placement
    responses: tuple[Response, ...] = ()  # identified: the inner spans, then all against ambient
    faults: tuple[ChannelFault, ...] = ()  # channels that are not believed
    believed: Spans | None = None  # the spans without those channels, None where all are believed
    tree: Topology | None = None  # topology of the spans, None where one follows another
    junction: Junction | None = None  # the first node, where its forward voltage was read

    def __repr__(self) -> str:
        u = np.sqrt(np.diag(self.total_covariance))
        said = [
            f"{a} - {b} {with_expanded(R, one)}" if known else f"{a} - {b} not resolved"
            for (a, b), R, one, known in zip(
                self.topology.links, self.R_K_per_W, u, self.resolved, strict=True
            )
        ]
        return f"<Spans in K/W, k = 2: {', '.join(said)}>"

    def to_frame(self) -> DataFrame:
        """A row a span: its nodes, R and its standard uncertainties by source [K/W]."""
        import pandas as pd

        parts = {f"{name}_u_K_per_W": np.sqrt(np.diag(c)) for name, c in self.covariance.items()}
        return pd.DataFrame(
            {
                "from": [start for start, _ in self.topology.links],
                "to": [end for _, end in self.topology.links],
                "R_K_per_W": self.R_K_per_W,
                "u_K_per_W": np.sqrt(np.diag(self.total_covariance)),
                **parts,
                "resolved": self.resolved,
            }
        )

    @property
    def inner(self) -> Response | None:
        """The response that the inner spans come from, above the case; None where there is none."""
        return next((one for one in self.responses if one.reference != "ambient"), None)

    @property
    def to_ambient(self) -> Response | None:
        """The response of the whole path above ambient; None where that was not measured."""
        return next((one for one in self.responses if one.reference == "ambient"), None)

    @property
    def topology(self) -> Topology:
        """The measured nodes and the spans between them as a network; span i begins at node i."""
        return chain(self.nodes) if self.tree is None else self.tree

    @property
    def total_covariance(self) -> Array:
        """Sum of all contributions (s, s) [(K/W)^2]."""
        return np.sum(list(self.covariance.values()), axis=0)

    @property
    def resolved(self) -> NDArray[np.bool_]:
        """Whether the record carries each span (s,), or at least that it is next to nothing."""
        return are_resolved(self.R_K_per_W, np.sqrt(np.diag(self.total_covariance)))


def measure(run: Run) -> Spans:
    """Measure every span of a run: the inner ones against the case, the last against ambient.

    The case is the last measured node before ambient.

    Args:
        run: as read.

    Returns:
        The spans with their covariance by source.

    Raises:
        NotIdentifiable: fewer than two nodes, or no power.
    """
    return measure_signals(prepare(run), run)


def measure_signals(signals: Signals, run: Run) -> Spans:
    """Measure every span from prepared signals; see `measure`.

    Args:
        signals: offset-corrected record.
        run: that they come from: its path for messages, its document for the stated accuracies.

    Returns:
        The spans with their covariance by source.

    Raises:
        NotIdentifiable: fewer than two nodes, or no power.
    """
    nodes = path_order(signals.nodes)
    if len(nodes) < 2 and signals.faults:
        why = "; ".join(dict.fromkeys(fault.text for fault in signals.faults))
        raise NotIdentifiable(f"{run.path}: only '{nodes[0]}' is left, which has no span: {why}")
    if len(nodes) < 2:
        raise NotIdentifiable(f"{run.path}: one node alone has no span; record a second node")
    if not np.any(signals.power):
        raise NotIdentifiable(f"{run.path}: the power was never on; no resistance can be measured")
    parts: list[tuple[Array, Mapping[str, Array]]] = []
    responses: list[Response] = []
    notes: list[str] = []
    settled = True
    case = nodes[-2] if nodes[-1] == "ambient" else nodes[-1]
    if nodes.index(case) > 0:
        inner = only(signals, tuple(node for node in signals.nodes if node != "ambient"))
        identified = identify_signals(inner, case, run=run)
        parts.append(inner_spans(identified))
        responses.append(identified.response)
        settled = identified.response.settled
    if nodes[-1] == "ambient":
        response = identify_signals(signals, "ambient", run=run).response
        air = response.air
        assert air is not None
        last = response.nodes.index(case)
        stated = {name: c[[last], :][:, [last]] for name, c in response.covariance.items()}
        stated["fit"] = np.array([[air.fit_variance]])
        stated["discrepancy"] = np.zeros((1, 1))
        stated["offset"] = np.array([[air.offset_variance]])
        parts.append((np.array([air.R_K_per_W]), stated))
        responses.append(response)
        settled = settled and air.settled
        if not air.settled:
            notes.append(f"{air.outlook}: {case} to ambient is extrapolated")
    resistance = np.concatenate([r for r, _ in parts])
    names = parts[0][1].keys()
    power = responses[-1].power
    rest = signals.temperature_degC[-max(3, len(signals.t_s) // 50) :]
    reference = float(np.nanmean(rest[:, signals.nodes.index(nodes[-1])]))
    above = np.append(chain(nodes).summed(resistance), 0.0) * power
    spans = Spans(
        nodes=nodes,
        R_K_per_W=resistance,
        covariance={name: _joined(name, [c[name] for _, c in parts]) for name in names},
        power_W=power,
        final_degC=reference + above,
        settled=settled,
        warnings=tuple(dict.fromkeys((*responses[0].warnings, *notes))),
        slow_share=slow_share(signals, nodes),
        responses=tuple(responses),
    )
    spans = _with_its_junction(
        with_faults(spans, path_order(run.nodes), signals.faults), signals, run
    )
    return replace(spans, warnings=(*spans.warnings, *_unresolved(spans)))


def _with_its_junction(spans: Spans, signals: Signals, run: Run) -> Spans:
    """The spans with the junction's, where the run has read it; said where it does not tell."""
    try:
        junction = measure_junction(run, signals)
    except NotIdentifiable as error:
        return replace(spans, warnings=(*spans.warnings, junction_untold(run, error)))
    if junction is None:
        return spans
    spans = with_junction(spans, junction)
    return replace(spans, warnings=(*spans.warnings, *junction_notes(junction)))


def with_faults(spans: Spans, nodes: tuple[str, ...], faults: tuple[ChannelFault, ...]) -> Spans:
    """The spans of all recorded nodes, those beside a channel not believed left open.

    What was measured across such a node is shared evenly among the spans at it, each as uncertain
    as it is large and all of them together as sure as they were measured; at an end of the path
    the span is unknown.

    Args:
        spans: between the nodes that are believed.
        nodes: all recorded nodes in order of the path (n + 1).
        faults: the channels that are not believed.

    Returns:
        The spans (n,) between all nodes; the same spans where no channel is at fault.
    """
    if not faults:
        return spans
    all_spans = len(nodes) - 1
    share = np.zeros((all_spans, len(spans.R_K_per_W)))
    bounds = [nodes.index(node) for node in spans.nodes]
    final = np.full(len(nodes), np.nan)
    final[bounds] = spans.final_degC
    doubt = np.zeros((all_spans, all_spans))
    for span, (first, last) in enumerate(pairwise(bounds)):
        count = last - first
        share[first:last, span] = 1 / count
        if count > 1:
            # Zero in sum: the uncertainty of the whole is unchanged.
            apart = np.eye(count) - 1 / count
            doubt[first:last, first:last] = (spans.R_K_per_W[span]) ** 2 * apart
    R = share @ spans.R_K_per_W
    open_ended = ~share.any(axis=1)
    R[open_ended] = UNKNOWN_K_PER_W
    doubt[open_ended, open_ended] = UNKNOWN_K_PER_W**2
    covariance = {name: share @ c @ share.T for name, c in spans.covariance.items()}
    covariance["fit"] = covariance["fit"] + doubt
    rows = np.arange(len(nodes))
    # Between two believed nodes: interpolated; beyond the last: unknown.
    read = np.isfinite(final)
    final = np.interp(rows, rows[read], final[read], left=np.nan, right=np.nan)
    return replace(
        spans,
        nodes=nodes,
        R_K_per_W=R,
        covariance=covariance,
        final_degC=final,
        slow_share=None,
        faults=faults,
        believed=spans,
        warnings=(*spans.warnings, *dict.fromkeys(fault.text for fault in faults)),
    )


def _unresolved(spans: Spans) -> list[str]:
    """Which spans the record does not resolve, and the remedy."""
    ends = zip(spans.topology.links, spans.resolved, strict=True)
    # Longer heating does not help beside a channel that is not believed; its fault is reported.
    silent = {fault.node for fault in spans.faults}
    names = [
        f"{start} to {end}"
        for (start, end), resolved in ends
        if not resolved and not silent & {start, end}
    ]
    if not names:
        return []
    figure = "this figure is no measurement" if len(names) == 1 else "these are no measurements"
    return [f"not resolved by this record: {', '.join(names)}; {figure}: heat longer"]


def _joined(name: str, parts: list[Array]) -> Array:
    """One covariance of spans measured in parts; the power's error is common to them all."""
    whole = block_diag(*parts)
    if name == "power":
        u = np.sqrt(np.diag(whole))
        return np.outer(u, u)
    return whole


def _not_below(
    least: Array, spans: Array, covariance: dict[str, Array]
) -> tuple[Array, dict[str, Array]]:
    """Spans below their least (s,) [K/W] made unknown: twice the least, with itself as u.

    A span close to its lower bound is measured, and where the bound is zero (a thermocouple that
    reads low leaves a negative span) the span is left as it is.
    """
    u = np.sqrt(np.diag(np.sum(list(covariance.values()), axis=0)))
    below = (least > 0) & (spans < least - np.maximum(SHORT_U * u, SHORT * least))
    doubt = np.diag(np.where(below, (2 * least) ** 2, 0.0))
    return np.where(below, 2 * least, spans), {**covariance, "fit": covariance["fit"] + doubt}


def inner_spans(identified: Identification) -> tuple[Array, dict[str, Array]]:
    """Spans between neighbours of a response's nodes and its reference, with covariance by source.

    From a ladder where one describes the record down to the scans' own noise: the product is a
    network of lumps. Else heat spreads in fields, and what is still stored is in no model: then
    from the rise reached and the last doubling of time (`fit.measurement.discrepancy`), or from
    the general fit where the record is no single step. A span below what the record has already
    shown (`fit.measurement.lower_bounds`) is given as unknown.

    Args:
        identified: above its reference.

    Returns:
        Resistances (s,) [K/W] and their covariance by source, (s, s) each [(K/W)^2].
    """
    response, fitted = identified.response, identified.fitted
    nodes = (*response.nodes, response.reference)
    D = chain(nodes).incidence
    spans = D @ response.total_K_per_W
    covariance = {name: D @ c @ D.T for name, c in response.covariance.items()}
    covariance["discrepancy"] = np.zeros_like(covariance["fit"])
    least = least_K_per_W(response.signals, nodes)
    if is_glimpse(response.signals):
        covariance["discrepancy"] = np.diag(spans**2)
        return spans, covariance
    ladder = adequate_ladder(fitted, spans, np.sum(list(covariance.values()), axis=0))
    record = fitted.model.record
    noise = record.noise_cost, record.noise_cost_sd
    if ladder is not None and is_noise(ladder.cost, *noise, ladder.correlation_z):
        covariance |= ladder.contributions
        covariance["discrepancy"] = np.diag(_of_ladder(ladder, record, response.power) ** 2)
        return _not_below(least, ladder.R_K_per_W, covariance)
    return _not_below(least, *_of_fields(response, nodes, spans, covariance))


def _of_ladder(ladder: Ladder, record: CellRecord, power: float) -> Array:
    """Standard uncertainty of the spans (s,) for what a ladder may hide [K/W]."""
    model = LadderModel(record, ladder.hidden)
    times = (0.5 * record.length_s, record.length_s)
    half_left, left = model.to_come_K_per_W(ladder.g, times)
    heated = record.cells.middle_s[record.cells.power > 0]
    half, end = model.by_gain_K(np.array([heated[[0, -1]].mean(), heated[-1]]))
    misread = (end - half) @ ladder.g[model.layout.gains] / power
    return ladder_discrepancy_u(half_left, left, misread)


def _of_fields(
    response: Response, nodes: tuple[str, ...], spans: Array, covariance: dict[str, Array]
) -> tuple[Array, dict[str, Array]]:
    """The spans of a product that is no network of lumps, with their model discrepancy."""
    doubling = last_doubling(response.signals, nodes)
    if doubling is None:
        reached = -np.diff(end_degC(response.signals, nodes)) / response.power
        to_come = np.nan_to_num(OWN_EXTRAPOLATION * (spans - reached))
        return spans, {**covariance, "discrepancy": np.diag(to_come**2)}
    R = doubling.resistance_K_per_W
    power_u = np.sqrt(np.diag(covariance["power"])) / np.maximum(np.abs(spans), 1e-12)
    return R, {
        **covariance,
        "fit": doubling.noise_covariance,
        "offset": doubling.offset_covariance,
        "power": np.outer(power_u * R, power_u * R),
        "discrepancy": np.diag(doubling.discrepancy_u_K_per_W**2),
    }
