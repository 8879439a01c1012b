"""Channels off the heat path, a battery say: logged, guarded and drawn, and no node of the fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


def off_path_nodes(document: Mapping[str, object]) -> frozenset[str]:
    """Nodes that run.json puts off the path.

    >>> sorted(off_path_nodes({"sensors": {"tab": {}, "battery": {"off_path": True}}}))
    ['battery']
    """
    sensors = document.get("sensors")
    if not isinstance(sensors, Mapping):
        return frozenset()
    return frozenset(
        str(node)
        for node, sensor in sensors.items()
        if isinstance(sensor, Mapping) and sensor.get("off_path") is True
    )


def places(
    nodes: Sequence[str], document: Mapping[str, object]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Where in `nodes` those on the path stand, and those off it."""
    off = off_path_nodes(document)
    on = tuple(i for i, node in enumerate(nodes) if node not in off)
    return on, tuple(i for i, node in enumerate(nodes) if node in off)
