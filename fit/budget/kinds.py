"""The kinds of stage: one module each. A new kind is one file and one line here."""

from __future__ import annotations

from fit.budget.bar import Bar
from fit.budget.joint import Joint
from fit.budget.keys import StageKeys
from fit.budget.pad import Pad
from fit.budget.spreading import Spreading
from fit.budget.stated import Stated
from fit.budget.surface import Surface
from fit.budget.via_array import ViaArray

KINDS: dict[str, type[StageKeys]] = {
    "stated": Stated,
    "via_array": ViaArray,
    "spreading": Spreading,
    "pad": Pad,
    "bar": Bar,
    "joint": Joint,
    "surface": Surface,
}
