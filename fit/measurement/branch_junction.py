"""The junction of one of several sources: whose it is, on which tab, and its span in the tree.

It is read as that of one source (`fit.measurement.junction`), by its own source's power on the
path: heated where that one is on, calibrated where it is off.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from fit.budget.model import AMBIENT, Budget
from fit.errors import NotIdentifiable
from fit.measurement.branch_uncertainty import Identified, power_and_shares
from fit.measurement.junction import Junction, measure_junction
from fit.measurement.junction_span import junction_notes, junction_untold, with_junction
from fit.measurement.spans import Spans
from fit.records.run import Array, Run


@dataclass(frozen=True)
class Place:
    """Where a junction stands in a tree."""

    tab: str  # the first measured node on its way
    sources: tuple[int, ...]  # those that heat it


def place_of(node: str, budget: Budget, measured: Collection[str]) -> Place:
    """Whose junction a node is, and which thermocouple is under it.

    Args:
        node: that the windows are of.
        budget: the tree.
        measured: nodes with a thermocouple.

    Returns:
        Its place.

    Raises:
        NotIdentifiable: it is no source's node, or its drop is not that of its own heat alone.
    """
    sources = budget.sources
    own = tuple(s for s, source in enumerate(sources) if source.node == node)
    if not own:
        raise NotIdentifiable(
            "it is the node of no source: name the windows' column by one of "
            + ", ".join(dict.fromkeys(f"{source.node}_V" for source in sources))
        )
    if node in measured:
        raise NotIdentifiable("it has a thermocouple besides: each needs a name of its own")
    way = budget.tree.path(node)
    tab = next((one for one in way if one in measured and one != AMBIENT), None)
    if tab is None:
        raise NotIdentifiable("no thermocouple is on its heat's way: put one on its tab")
    above = set(way[: way.index(tab)])
    others = [
        source.name
        for s, source in enumerate(sources)
        if s not in own and above & set(budget.tree.path(source.node))
    ]
    if others:
        raise NotIdentifiable(
            f"heat of {', '.join(others)} joins its own above '{tab}', the first thermocouple on "
            "its way: put one on its own tab"
        )
    return Place(tab, own)


def with_its_junction(spans: Spans, found: Identified, run: Run) -> Spans:
    """The spans of a tree with the junction's, where the run has read it.

    Args:
        spans: by thermocouples.
        found: what they come from.
        run: with its windows, if it has any.

    Returns:
        The spans with the junction's before them; said where its windows do not tell.
    """
    if run.vf_windows is None:
        return spans
    try:
        place = place_of(run.vf_windows.node, found.budget, run.nodes)
        own = list(place.sources)
        power = found.signals.source_power
        assert power is not None
        into = power[:, own] @ found.budget.path_fraction[own]
        junction = measure_junction(run, replace(found.signals, power=into), place.tab)
    except NotIdentifiable as error:
        return replace(spans, warnings=(*spans.warnings, junction_untold(run, error)))
    assert junction is not None
    spans = _joined(spans, found, run, replace(junction, sources=place.sources))
    return replace(spans, warnings=(*spans.warnings, *junction_notes(junction)))


def _joined(spans: Spans, found: Identified, run: Run, junction: Junction) -> Spans:
    """The spans with the junction's, which shares its source's power and its tab's thermocouple."""
    own_W = np.zeros(len(found.path_W))
    own_W[list(junction.sources)] = found.path_W[list(junction.sources)]
    R = np.append(junction.R_K_per_W, spans.R_K_per_W)
    heat = np.vstack([own_W, found.heat_W])
    by_power = power_and_shares(found, R, run.metadata.power_u, heat)
    shared = {"power": by_power[0, 1:], "sensor_match": _by_tab(found, junction, own_W.sum())}
    variance = {**junction.covariance, "power": float(by_power[0, 0])}
    return with_junction(spans, replace(junction, covariance=variance), shared)


def _by_tab(found: Identified, junction: Junction, own_W: float) -> Array:
    """Covariance (s,) by the tab's gain: a span that begins or ends there carries its own heat."""
    at_tab = found.topology.full_incidence[:, found.topology.index(junction.tab)]
    return np.asarray(junction.with_tab * at_tab * own_W / found.through_W)
