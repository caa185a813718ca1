"""Small pictures as inline SVG: a frame with two axes, and what is drawn into it. Plain text, no library.

Colours and hatchings are classes of the page's style sheet (`STYLE`), so that they follow a dark page and a printer.
"""

import math
from collections.abc import Iterable, Sequence
from html import escape

Point = tuple[float, float]
Tick = tuple[float, str]

WIDTH, LEFT, RIGHT, TOP = 860.0, 64.0, 22.0, 14.0

# Okabe and Ito's palette for all kinds of colour vision (Color Universal Design, 2008; values from memory).
STYLE = """
svg { width: 100%; height: auto; font: 12px system-ui, sans-serif; fill: var(--ink); }
svg .axis { stroke: var(--ink); stroke-width: 1; fill: none; }
svg .grid { stroke: var(--faint); stroke-width: 1; fill: none; }
svg .one { stroke: var(--blue); stroke-width: 1.6; fill: none; }
svg .two { stroke: var(--ink); stroke-width: 1.2; stroke-dasharray: 5 3; fill: none; }
svg .band { fill: #56b4e9; fill-opacity: 0.25; stroke: none; }
svg .limit { stroke: #d55e00; stroke-width: 1.4; stroke-dasharray: 6 4; fill: none; }
svg .dot { fill: var(--blue); fill-opacity: 0.45; stroke: none; }
svg .out { fill: #d55e00; stroke: var(--ink); }
svg .bar { fill: #56b4e9; stroke: var(--ink); stroke-width: 0.6; }
svg .spare { fill: url(#dots); stroke: var(--ink); stroke-width: 0.6; }
svg .waste { fill: url(#slanted); stroke: var(--ink); stroke-width: 0.6; }
svg .mark { stroke: #d55e00; stroke-width: 2; fill: none; }
svg .small { font-size: 11px; }
"""

PATTERNS = (
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>'
    '<pattern id="slanted" width="6" height="6" patternUnits="userSpaceOnUse">'
    '<rect width="6" height="6" fill="#e69f00" fill-opacity="0.5"/>'
    '<path d="M-1,1 l2,-2 M0,6 l6,-6 M5,7 l2,-2" stroke="#7a5200" stroke-width="1"/></pattern>'
    '<pattern id="dots" width="6" height="6" patternUnits="userSpaceOnUse">'
    '<rect width="6" height="6" fill="#009e73" fill-opacity="0.18"/>'
    '<circle cx="3" cy="3" r="1" fill="#00664b"/></pattern></defs></svg>'
)


class Frame:
    """A picture with linear axes from low to high. `says` is read out in place of the picture."""

    def __init__(self, says: str, *, x: Point, y: Point, height: float = 240.0, left: float = LEFT) -> None:
        self._says, self._height, self._left = says, height, left
        (self._x0, self._x1), (self._y0, self._y1) = x, y
        self._parts: list[str] = []

    def x(self, value: float) -> float:
        """Across, in the picture's units."""
        return self._left + (WIDTH - RIGHT - self._left) * (value - self._x0) / (self._x1 - self._x0)

    def y(self, value: float) -> float:
        """Down, in the picture's units."""
        bottom = self._height - 40.0
        return bottom - (bottom - TOP) * (value - self._y0) / (self._y1 - self._y0)

    def ticks_x(self, ticks: Iterable[Tick], label: str) -> None:
        """The lower axis with its ticks and a label."""
        low, high = self.y(self._y0), self.y(self._y1)
        for value, text in ticks:
            self._line([(self.x(value), low), (self.x(value), high)], "grid")
            self._text(self.x(value), low + 15, text, "middle")
        self._line([(self._left, low), (WIDTH - RIGHT, low)], "axis")
        self._text((self._left + WIDTH - RIGHT) / 2, low + 33, label, "middle")

    def ticks_y(self, ticks: Iterable[Tick], label: str = "") -> None:
        """The axis at the left with its ticks and a label above it."""
        for value, text in ticks:
            self._line([(self._left, self.y(value)), (WIDTH - RIGHT, self.y(value))], "grid")
            self._text(self._left - 6, self.y(value) + 4, text, "end")
        if label:
            x, y = 14, (self.y(self._y0) + self.y(self._y1)) / 2
            self._parts.append(
                f'<text x="{x}" y="{y:.0f}" text-anchor="middle" transform="rotate(-90 {x} {y:.0f})">'
                f"{escape(label)}</text>"
            )

    def line(self, points: Sequence[Point], css: str) -> None:
        """A line through points."""
        self._line([(self.x(x), self.y(y)) for x, y in points], css)

    def steps(self, points: Sequence[Point], css: str) -> None:
        """A line that keeps each value until the next point."""
        path, last = [], None
        for x, y in points:
            if last is not None:
                path.append((x, last))
            path.append((x, y))
            last = y
        self.line(path, css)

    def band(self, points: Sequence[tuple[float, float, float]], css: str = "band") -> None:
        """The area between two lines: (x, lower, upper)."""
        around = [(x, low) for x, low, _ in points] + [(x, high) for x, _, high in reversed(points)]
        path = " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in around)
        self._parts.append(f'<polygon class="{css}" points="{path}"/>')

    def dot(self, point: Point, css: str, says: str) -> None:
        """A small disc that says what it is when pointed at."""
        self._parts.append(
            f'<circle class="{css}" cx="{self.x(point[0]):.1f}" cy="{self.y(point[1]):.1f}" r="3">'
            f"<title>{escape(says)}</title></circle>"
        )

    def bar(self, x: Point, y: Point, css: str, says: str) -> None:
        """A rectangle over both ranges."""
        across, down = sorted((self.x(x[0]), self.x(x[1]))), sorted((self.y(y[0]), self.y(y[1])))
        self._parts.append(
            f'<rect class="{css}" x="{across[0]:.1f}" y="{down[0]:.1f}" width="{across[1] - across[0]:.1f}" '
            f'height="{down[1] - down[0]:.1f}"><title>{escape(says)}</title></rect>'
        )

    def note(self, point: Point, text: str, anchor: str = "start", *, up: float = 4.0) -> None:
        """A text beside a point."""
        self._text(self.x(point[0]), self.y(point[1]) - up, text, anchor, "small")

    def svg(self) -> str:
        """The picture as markup."""
        inside = "".join(self._parts)
        return (
            f'<svg viewBox="0 0 {WIDTH:.0f} {self._height:.0f}" role="img" aria-label="{escape(self._says)}">'
            f"{inside}</svg>"
        )

    def _line(self, points: Sequence[Point], css: str) -> None:
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self._parts.append(f'<polyline class="{css}" points="{path}"/>')

    def _text(self, x: float, y: float, text: str, anchor: str, css: str = "") -> None:
        css = f' class="{css}"' if css else ""
        self._parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{css}>{escape(text)}</text>')


def even_ticks(low: float, high: float, about: int = 6) -> list[Tick]:
    """Round values from low to high, about so many, with their texts."""
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(one * power for one in (1.0, 2.0, 5.0, 10.0) if one * power >= raw)
    first = math.ceil(low / step - 1e-9)
    return [(k * step, f"{k * step:g}") for k in range(first, math.floor(high / step + 1e-9) + 1)]
