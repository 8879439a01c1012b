"""The prototypes that come with heatrun. Light to import: files to copy need no simulation."""

from __future__ import annotations

from importlib.resources import files

SCENARIOS = {
    "one-part": files("heatrun_data") / "charge_controller",
    "two-parts": files("heatrun_data") / "two_parts",
    "junction": files("heatrun_data") / "junction",
}
"""Folder of each, with its budget, its rig and its truth."""
