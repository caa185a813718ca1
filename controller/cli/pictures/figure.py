"""What all pictures share: rows of axes, colours that everybody can tell apart, SVG and PNG. Needs matplotlib.

Nothing is said by colour alone: bars have a label or a hatching of their own, limits a label.
"""

import io
import re
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.errors import TundishError
from controller.metering.dose import mi008_ml

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito's palette for all kinds of colour vision (Color Universal Design, 2008; values from memory).
COLOURS = ("#56B4E9", "#E69F00", "#009E73", "#F0E442", "#CC79A7", "#0072B2", "#D55E00", "#999999")
HATCHES = ("", "//", "..", "\\\\", "xx", "--", "oo", "++")
INK = "#222222"
LIMIT: dict[str, Any] = {"color": COLOURS[6], "linestyle": "--", "linewidth": 1.4}
ON_X: Any = ("data", "axes fraction")  # the coordinates of a note that stands at a value of x, at the upper edge
ON_Y: Any = ("axes fraction", "data")
ABOVE: dict[str, Any] = {
    "loc": "lower left", "bbox_to_anchor": (0.0, 1.0), "ncols": 3, "fontsize": 8, "frameon": False,
}  # fmt: skip


def require_matplotlib() -> None:
    """Raise TundishError, which says how to install it, when matplotlib is missing."""
    try:
        import matplotlib.figure  # noqa: F401
    except ImportError as error:
        raise TundishError(
            'pictures need matplotlib, which is not installed. Install it with: pip install "tundish[pictures]"'
        ) from error


def new_figure(title: str, heights_in: Sequence[float], *, share_x: bool = False) -> tuple["Figure", Any]:
    """A figure with one row of axes for each height (inches). Raises TundishError without matplotlib."""
    require_matplotlib()
    from matplotlib.figure import Figure

    # A figure without pyplot needs no screen and keeps no global state.
    figure = Figure(figsize=(8.6, sum(heights_in)), layout="constrained")
    if title:
        figure.suptitle(title, color=INK, fontsize=11)
    axes = figure.subplots(len(heights_in), 1, sharex=share_x, height_ratios=list(heights_in), squeeze=False)[:, 0]
    for one in axes:
        one.spines[["top", "right"]].set_visible(False)
        one.grid(axis="x", color="#dddddd", linewidth=0.6)
        one.set_axisbelow(True)
    return figure, axes


def bars(axes: "Axes", lengths: Sequence[float], style: int, *, first_row: int = 0, **more: Any) -> Any:
    """Horizontal bars, one in each row from the first on, in the colour and hatching of this number."""
    look: dict[str, Any] = {
        "height": 0.7,
        "facecolor": COLOURS[style],
        "edgecolor": INK,
        "hatch": HATCHES[style],
        "alpha": 0.7,
    }
    return axes.barh(range(first_row, first_row + len(lengths)), lengths, **{"height": 0.7} | look | more)


def name_rows(axes: "Axes", names: Sequence[str]) -> None:
    """Names at the left of the rows, the first at the top."""
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.4, -0.6)


def note(axes: "Axes", text: str, at: tuple[float, float], shift: tuple[float, float], **more: Any) -> None:
    """A small text at a point, shifted by so many printer's points."""
    look: dict[str, Any] = {"textcoords": "offset points", "fontsize": 8, "color": INK}
    axes.annotate(text, at, xytext=shift, **look | more)


def draw_tolerance(axes: "Axes", largest_ml: float) -> None:
    """The tolerance of doses up to largest_ml, above and below zero."""
    doses_ml = range(1, 1 + int(largest_ml))
    for sign, label in ((1.0, "tolerance, Directive 2014/32/EU (MI-008)"), (-1.0, None)):
        axes.plot(doses_ml, [sign * mi008_ml(dose_ml) for dose_ml in doses_ml], label=label, **LIMIT)
    axes.axhline(0.0, color=INK, linewidth=0.8)


def clock_axis(axes: "Axes", starts: str, clock: Callable[[float], str], end_s: float) -> None:
    """Full hours of the day along an axis of seconds after the start ("16:30"); every other hour in a long event."""
    first_s, step_s = -60.0 * int(starts[-2:]) % 3600.0, 3600.0 if end_s <= 12 * 3600.0 else 7200.0
    ticks_s = [first_s + step_s * k for k in range(int((end_s - first_s) // step_s) + 1)]
    axes.set_xticks(ticks_s, [clock(at_s + 1.0) for at_s in ticks_s])
    axes.set_xlim(0.0, end_s)


def count_axis(axes: "Axes", label: str) -> None:
    """Whole numbers from zero up."""
    from matplotlib.ticker import MaxNLocator

    axes.set_ylim(bottom=0)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_ylabel(label)


def explain(artist: "Artist", text: str) -> None:
    """Give what was drawn a text that a page shows when it is pointed at."""
    artist.set_gid(f"text:{text}")


def save(figure: "Figure", path: Path) -> None:
    """Write the figure; TundishError when the file is neither .svg nor .png, or cannot be written."""
    kind = path.suffix.lower()
    if kind not in (".svg", ".png"):
        raise TundishError(f"cannot draw {path.name}: name it .svg or .png.")
    try:
        path.write_bytes(_rendered(figure, kind[1:]))
    except OSError as error:
        raise TundishError(f"cannot write {path}: {error.strerror}.") from error


def inline_svg(figure: "Figure", label: str) -> str:
    """The figure as markup inside a page, in the page's own ink; the label is read out in its place."""
    figure.patch.set_visible(False)
    for axes in figure.axes:
        axes.patch.set_visible(False)
    text = _rendered(figure, "svg").decode()
    text = re.sub(r' xmlns(:\w+)?="[^"]*"', "", text[text.index("<svg") :]).replace("xlink:href", "href")
    text = re.sub(r'<g id="text:([^"]*)">', r"<g><title>\1</title>", text)
    text = re.sub(r'<g id="[^"]*">', "<g>", text)  # the same in each picture
    text = re.sub(f"{INK}|#000000", "currentColor", text)
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(label)}" ', 1)


def _rendered(figure: "Figure", kind: str) -> bytes:
    """The same bytes from run to run: no date in the file, fixed names inside."""
    import matplotlib as mpl

    file, metadata = io.BytesIO(), dict.fromkeys(("Date", "Creator", "Format", "Type")) if kind == "svg" else {}
    with mpl.rc_context({"svg.hashsalt": "tundish", "svg.fonttype": "none"}):
        figure.savefig(file, format=kind, dpi=150 if kind == "png" else "figure", metadata=metadata)
    return file.getvalue()
