"""The kinds of stage: one module each. A new kind is one file and one line here."""

from __future__ import annotations

from fit.budget.stages.bar import Bar
from fit.budget.stages.base import StageKeys
from fit.budget.stages.joint import Joint
from fit.budget.stages.pad import Pad
from fit.budget.stages.spreading import Spreading
from fit.budget.stages.stated import Stated
from fit.budget.stages.surface import Surface
from fit.budget.stages.via_array import ViaArray

KINDS: dict[str, type[StageKeys]] = {
    "stated": Stated,
    "via_array": ViaArray,
    "spreading": Spreading,
    "pad": Pad,
    "bar": Bar,
    "joint": Joint,
    "surface": Surface,
}
