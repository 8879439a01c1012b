"""The network of several sources as a SPICE subcircuit, one pin for each: amperes are watts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fit.compact_model.spice import identifier
from fit.identification.tree.fitted import FittedTree

GROUND = "ambient_pin"


def branch_netlist(
    fitted: FittedTree,
    sources: Sequence[str],
    name: str = "heat_path",
    remark: str = "",
) -> str:
    """The fitted tree as a `.subckt`: what each source's watts do to every part.

    A pin a source takes its watts as amperes. Then come the node that all heat passes, to be joined
    to what follows it (the case's own way to air), and the ground that heat capacities stand on,
    ambient.

    Args:
        fitted: the network.
        sources: their names, in the order of its own.
        name: of the subcircuit.
        remark: what else is known, as a comment.

    Returns:
        The subcircuit's lines, ending with a newline.
    """
    return "\n".join(_lines(fitted, sources, identifier(name), remark)) + "\n"


def _lines(fitted: FittedTree, sources: Sequence[str], title: str, remark: str) -> Iterator[str]:
    topology = fitted.network.topology
    reference = topology.reference
    pins = [f"heat_{identifier(source or 'source')}" for source in sources]
    yield f"* Network of {', '.join(topology.nodes)} above {reference}, fitted to a heat run"
    yield "* 1 A = 1 W on the path, 1 V = 1 K above ambient, ohm = K/W, farad = J/K"
    if remark:
        yield f"* {remark}"
    yield f".subckt {title} {' '.join(pins)} {_at(reference)} {GROUND}"
    for pin, node in zip(pins, topology.sources, strict=True):
        yield f"V{pin} {pin} {_at(node)} 0"
    for k, ((start, end), R) in enumerate(zip(topology.links, fitted.R_K_per_W, strict=True), 1):
        if k == fitted.network.tree_links + 1:
            yield "* between branches, through the board"
        yield f"R{k} {_at(start)} {_at(end)} {R:.12g}"
    for k, (node, C) in enumerate(zip(topology.nodes, fitted.C_J_per_K, strict=True), 1):
        yield f"C{k} {_at(node)} {GROUND} {C:.12g}"
    yield f".ends {title}"


def _at(node: str) -> str:
    """Name of an internal node, unlike that of any source."""
    return f"at_{identifier(node)}"
