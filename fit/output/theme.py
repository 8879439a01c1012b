"""The common style of every figure and page: colours by role, how a figure is made and saved.

Colours are Okabe and Ito's set for colour-blind readers (Okabe & Ito 2008, "Color Universal Design:
how to make figures and presentations that are friendly to colorblind people"), with greys of our
own. Colour is never the only mark: every curve has its name beside it, every decision its word.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.errors import RecordError
from fit.records.run_folder import not_created

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LIGHT = {
    "paper": "#ffffff",
    "wash": "#eef1f3",
    "hair": "#cfd5d9",
    "soft": "#566069",
    "ink": "#1b2227",
    "measured": "#0072b2",
    "band": "#cce3f0",
    "over": "#d55e00",
    "over-text": "#a84300",
    "open": "#e69f00",
    "open-text": "#805700",
    "sound": "#009e73",
    "sound-text": "#00694c",
    "purple": "#cc79a7",
    "sky": "#56b4e9",
}
"""Role -> colour on a light page, in print and in every PNG."""

DARK = LIGHT | {
    "paper": "#14191c",
    "wash": "#20272c",
    "hair": "#3d474e",
    "soft": "#a7b1b8",
    "ink": "#e8ecee",
    "measured": "#56b4e9",
    "band": "#1f4259",
    "over": "#ef7c22",
    "over-text": "#ff9c55",
    "open-text": "#f0b93a",
    "sound": "#17b98b",
    "sound-text": "#3fd0a5",
    "sky": "#9fd4f3",
}
"""Role -> colour on a dark page."""

SERIES = ("measured", "open", "sound", "purple", "sky", "ink")
"""Roles of the curves of a figure, hottest node first."""

WIDTH_IN = 4.8
"""As wide as a phone: text keeps its size there, and two figures stand side by side on a desk."""

RC: Any = {  # sizes in points, for text that is read at the figure's own width
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
    "font.size": 8.0,
    "svg.fonttype": "none",
    "text.parse_math": False,
    "axes.edgecolor": LIGHT["hair"],
    "axes.labelcolor": LIGHT["soft"],
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 8.5,
    "axes.titlecolor": LIGHT["ink"],
    "text.color": LIGHT["ink"],
    "xtick.color": LIGHT["hair"],
    "ytick.color": LIGHT["hair"],
    "xtick.labelcolor": LIGHT["soft"],
    "ytick.labelcolor": LIGHT["soft"],
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
}


TIME_UNITS = ((3 * 3600.0, 3600.0, "h"), (300.0, 60.0, "min"), (0.0, 1.0, "s"))
"""Shortest record [s], its unit of time [s] and the unit's name: an axis reads 3 to 300."""


def time_unit(length_s: float) -> tuple[float, str]:
    """The unit in which a record's time is drawn.

    Args:
        length_s: of the record [s].

    Returns:
        The unit [s] and its name.

    >>> time_unit(1800.0)
    (60.0, 'min')
    """
    return next((unit_s, unit) for least_s, unit_s, unit in TIME_UNITS if length_s >= least_s)


def colour(role: str) -> str:
    """Colour of a role on a light page; `to_svg` turns it into the page's own.

    Args:
        role: a key of `LIGHT`.

    Returns:
        The colour, #rrggbb.
    """
    return LIGHT[role]


def series_colour(i: int) -> str:
    """Colour of a curve.

    Args:
        i: number of the curve, hottest node first.

    Returns:
        The colour, #rrggbb.
    """
    return LIGHT[SERIES[i % len(SERIES)]]


def new_figure(height_in: float) -> Figure:
    """An empty figure of our width on the Agg canvas; no global state, no display.

    Args:
        height_in: its height [inch].

    Returns:
        The figure.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height_in))
    FigureCanvasAgg(figure)
    return figure


def place_axes(
    ax: Axes | None, height_in: float, box: tuple[float, float, float, float]
) -> tuple[Figure, Axes]:
    """Where a figure of one axes is drawn: in the caller's axes, or alone in a new figure.

    Args:
        ax: the caller's axes; None for a new figure of our width.
        height_in: height of the new figure [inch].
        box: left, bottom, width and height of its axes [share of the figure].

    Returns:
        The figure and its axes.
    """
    if ax is None:
        figure = new_figure(height_in)
        return figure, figure.add_axes(box)
    return ax.figure.figure, ax  # the second `figure` leads from a subfigure to the whole


def styled(salt: str = "") -> Any:
    """Context in which figures are drawn and saved.

    Args:
        salt: makes the ids of one SVG differ from another's on the same page.

    Returns:
        The context manager.
    """
    from matplotlib import rc_context

    return rc_context(RC | {"svg.hashsalt": f"heatrun {salt}"})


def spread_labels(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Heights for labels, as near to those wanted as a least distance allows.

    Args:
        wanted: heights, any order.
        gap: least distance between two labels.
        low: lowest height, overrun where there is no room.
        high: highest height.

    Returns:
        A height for each label, in the order of `wanted`.

    >>> spread_labels([1.0, 1.1, 5.0], 1.0, 0.0, 6.0)
    [0.55, 1.55, 5.0]
    """
    order = [int(i) for i in np.argsort(wanted, kind="stable")]

    def bottom(group: Sequence[int]) -> float:
        """Height of the lowest label of a group placed as one block about its mean."""
        half = 0.5 * gap * (len(group) - 1)
        middle = sum(wanted[i] for i in group) / len(group)
        return max(low, min(middle, high - half) - half)

    groups: list[list[int]] = []
    for i in order:
        groups.append([i])
        while len(groups) > 1 and bottom(groups[-1]) < bottom(groups[-2]) + gap * len(groups[-2]):
            last = groups.pop()
            groups[-1] += last
    places = [0.0] * len(wanted)
    for group in groups:
        for k, i in enumerate(group):
            places[i] = round(bottom(group) + k * gap, 12)
    return places


def label_ends(
    axes: Axes, names: Sequence[str], ends: Sequence[float], colours: Sequence[str], gap: float
) -> None:
    """Name each curve at its right end, in the order of their heights, never on top of each other.

    Args:
        axes: whose x limits are final.
        names: one a curve.
        ends: the curve's last value, in data units.
        colours: the curve's own.
        gap: least distance of two names in data units.
    """
    low, high = sorted(axes.get_ylim())
    right = axes.get_xlim()[1]
    for name, end, place, hue in zip(
        names, ends, spread_labels(ends, gap, low, high), colours, strict=True
    ):
        axes.annotate(
            name,
            (right, end),
            xytext=(1.06, (place - low) / (high - low)),
            textcoords="axes fraction",
            va="center",
            ha="left",
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": hue, "lw": 1.2, "shrinkA": 1, "shrinkB": 1},
        )


def to_svg(figure: Figure, description: str) -> str:
    """The figure as inline SVG that takes its colours from the page's variables.

    Args:
        figure: drawn with colours of `LIGHT`.
        description: its content for a reader who cannot see it.

    Returns:
        The SVG element.
    """
    from html import escape

    stream = io.StringIO()
    with styled(description):
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<g id="[^"]*"', "<g", text)
    text = re.sub(r"<!--.*?-->\n?", "", text, flags=re.DOTALL)
    text = re.sub(r' xmlns(:\w+)?="[^"]*"', "", text)
    text = text.replace("xlink:href", "href")
    text = re.sub(r"[ \t]*\n[ \t]*", "\n", text)
    for role, hex_value in LIGHT.items():
        text = text.replace(hex_value, f"var(--{role})")
    box = re.search(r'viewBox="[^"]*"', text)
    assert box is not None
    opening = f'<svg {box.group()} role="img" aria-label="{escape(description, quote=True)}">'
    return re.sub(r"<svg[^>]*>", lambda _: opening, text, count=1)


def make_png_folder(folder: Path) -> None:
    """Create the folder that --png names, where it does not exist.

    Args:
        folder: to be created.

    Raises:
        RecordError: it cannot be created.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise not_created(folder, error, "--png") from error


def save_png(figure: Figure, path: Path) -> Path:
    """Write a figure as PNG, on white.

    Args:
        figure: to be written.
        path: of the file, replaced where it exists.

    Returns:
        The file written.

    Raises:
        RecordError: the file cannot be written.
    """
    try:
        with styled():
            figure.savefig(path, format="png", dpi=200, facecolor=LIGHT["paper"])
    except OSError as error:
        raise RecordError(
            path, "", f"cannot be written ({error.strerror})", "name a place you may write to"
        ) from error
    return path


def css_variables() -> str:
    """The palette as CSS: dark where the reader's system or the page asks for it."""
    light = " ".join(f"--{role}: {value};" for role, value in LIGHT.items())
    dark = " ".join(f"--{role}: {value};" for role, value in DARK.items())
    return (
        f":root {{ color-scheme: light; {light} }}\n"
        f"@media screen and (prefers-color-scheme: dark) {{ :root:not([data-theme='light']) "
        f"{{ color-scheme: dark; {dark} }} }}\n"
        f"@media screen {{ :root[data-theme='dark'] {{ color-scheme: dark; {dark} }} }}\n"
    )
