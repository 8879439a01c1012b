"""The span from a junction to its tab among the spans by thermocouples, of a chain and of a tree.

It goes before all others. Its errors are its own but for two, which the spans share with it: of the
power, and of the tab's thermocouple.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from fit.errors import NotIdentifiable
from fit.measurement.junction import Junction
from fit.measurement.sensor_placement import SlowShare
from fit.network.topology import Topology
from fit.records.run import Array, Run

if TYPE_CHECKING:
    from fit.measurement.spans import Spans

UNTOLD = 1e3  # uncertainty of a share of the case's rise that nothing tells: any large number


def with_junction(
    spans: Spans, junction: Junction, shared: Mapping[str, Array] | None = None
) -> Spans:
    """The spans with the junction's before them.

    Args:
        spans: measured by thermocouples; as they are where they do not know its tab, or are a chain
            that begins elsewhere.
        junction: measured in the same run.
        shared: its covariance with each of them, (s,) by name [(K/W)^2]; None on a chain, where all
            are of one power and only the first begins at its tab.

    Returns:
        The spans (s + 1,) and all that goes with them.
    """
    if spans.nodes[0] != junction.tab and spans.tree is None:
        return spans
    by_name = _shared_on_a_chain(spans, junction) if shared is None else shared
    covariance = {}
    for name, known in spans.covariance.items():
        wider = np.zeros((len(known) + 1, len(known) + 1))
        wider[1:, 1:] = known
        wider[0, 0] = junction.covariance.get(name, 0.0)
        # Where the spans' own record has told part of an error, they share no more.
        most = np.sqrt(wider[0, 0] * np.maximum(np.diag(known), 0.0))
        wider[0, 1:] = wider[1:, 0] = np.clip(by_name.get(name, 0.0), -most, most)
        covariance[name] = wider
    believed, tab = spans.believed, spans.nodes.index(junction.tab)
    return replace(
        spans,
        nodes=(junction.node, *spans.nodes),
        R_K_per_W=np.append(junction.R_K_per_W, spans.R_K_per_W),
        covariance=covariance,
        final_degC=np.append(spans.final_degC[tab] + junction.above_K, spans.final_degC),
        slow_share=_untold_first(spans.slow_share),
        believed=None if believed is None else with_junction(believed, junction),
        tree=None if spans.tree is None else _above(spans.tree, junction),
        junction=junction,
    )


def without_junction(spans: Spans) -> Spans:
    """The spans by thermocouples alone.

    Args:
        spans: the junction's first, if there is one.

    Returns:
        The others.
    """
    if spans.junction is None:
        return spans
    slow, believed = spans.slow_share, spans.believed
    return replace(
        spans,
        nodes=spans.nodes[1:],
        R_K_per_W=spans.R_K_per_W[1:],
        covariance={name: c[1:, 1:] for name, c in spans.covariance.items()},
        final_degC=spans.final_degC[1:],
        slow_share=slow and replace(slow, share=slow.share[1:], covariance=slow.covariance[1:, 1:]),
        believed=None if believed is None else without_junction(believed),
        tree=None if spans.tree is None else _below(spans.tree, spans.junction),
        junction=None,
    )


def junction_alone(spans: Spans) -> Spans:
    """The span from the junction to its tab, as if nothing else had been measured.

    Args:
        spans: the junction's first.

    Returns:
        That one span.
    """
    assert spans.junction is not None
    node, tab = spans.junction.node, spans.junction.tab
    alone = None if spans.tree is None else Topology((node,), ((node, tab),), tab, (node,))
    return replace(
        spans,
        nodes=(node, tab),
        R_K_per_W=spans.R_K_per_W[:1],
        covariance={name: c[:1, :1] for name, c in spans.covariance.items()},
        final_degC=spans.final_degC[[0, spans.nodes.index(tab)]],
        slow_share=None,
        responses=(),
        faults=(),
        believed=None,
        tree=alone,
    )


def junction_notes(junction: Junction) -> tuple[str, ...]:
    """What is to be said of a junction that was measured.

    Args:
        junction: as measured.

    Returns:
        One sentence where its first reading came late, else none.
    """
    if not junction.is_late:
        return ()
    share = abs(junction.method_K / junction.above_K)
    return (
        f"the first reading of '{junction.node}' comes {1e3 * junction.first_s:.2g} ms after the "
        f"interruption, late for a junction of {1e3 * junction.tau_s:.2g} ms: the method alone "
        f"leaves {100 * share:.0f} % of the drop open",
    )


def junction_untold(run: Run, error: NotIdentifiable) -> str:
    """What is to be said of a junction whose windows do not tell.

    Args:
        run: with the windows.
        error: why they do not.

    Returns:
        One sentence.
    """
    assert run.vf_windows is not None
    return f"'{run.vf_windows.node}' is not measured by its forward voltage: {error}"


def _shared_on_a_chain(spans: Spans, junction: Junction) -> dict[str, Array]:
    first = np.arange(len(spans.R_K_per_W)) == 0
    shared = {"sensor_match": junction.with_tab * first}
    if "power" in spans.covariance:
        own = junction.covariance.get("power", 0.0)
        shared["power"] = np.sqrt(own * np.diag(spans.covariance["power"]))
    return shared


def _above(tree: Topology, junction: Junction) -> Topology:
    """The tree with the junction on top of its tab, and its source's heat entering there."""
    own = set(junction.sources)
    sources = [junction.node if s in own else node for s, node in enumerate(tree.sources)]
    return Topology(
        (junction.node, *tree.nodes),
        ((junction.node, junction.tab), *tree.links),
        tree.reference,
        tuple(sources),
    )


def _below(tree: Topology, junction: Junction) -> Topology:
    """The tree without its first node: what enters there enters at the tab."""
    sources = [junction.tab if node == junction.node else node for node in tree.sources]
    return Topology(tree.nodes[1:], tree.links[1:], tree.reference, tuple(sources))


def _untold_first(slow: SlowShare | None) -> SlowShare | None:
    """The shares of the case's rise with one more before them, of which nothing is told."""
    if slow is None:
        return None
    covariance = np.zeros((len(slow.share) + 1, len(slow.share) + 1))
    covariance[1:, 1:] = slow.covariance
    covariance[0, 0] = UNTOLD**2
    return replace(slow, share=np.append(0.0, slow.share), covariance=covariance)
