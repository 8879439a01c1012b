"""Channels off the heat path, a battery say: logged, guarded and drawn, and no node of the fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


def off_path_nodes(sensors: Mapping[str, object]) -> frozenset[str]:
    """Nodes that the sensors of run.json put off the path.

    >>> sorted(off_path_nodes({"tab": {}, "battery": {"off_path": True}}))
    ['battery']
    """
    return frozenset(
        str(node)
        for node, sensor in sensors.items()
        if isinstance(sensor, Mapping) and sensor.get("off_path") is True
    )


def places(
    nodes: Sequence[str], sensors: Mapping[str, object]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Where in `nodes` those on the path stand, and those off it."""
    off = off_path_nodes(sensors)
    on = tuple(i for i, node in enumerate(nodes) if node not in off)
    return on, tuple(i for i, node in enumerate(nodes) if node in off)
