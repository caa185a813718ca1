"""What stands on the scale: whether a glass is there, and which of the book's glasses it may be."""

from collections import deque
from collections.abc import Iterator

from controller.model.book import Book, Glass

SEEN_S = 0.12  # so long all readings must agree before a glass counts as set down or lifted
UNSTATED_G = 30.0  # a load below this is no glass, where the book states no tare; common practice, no source
SETTLED_S, SETTLED_G = 0.6, 4.0  # over which readings may differ by so much in a load that holds still
KEPT_S = 1.5
MEAN_S = 0.25
LIFTING_S = 0.5  # from a hand's first pull until the glass counts as lifted; common practice, no source


def matching(book: Book, load_g: float) -> Iterator[Glass]:
    """The glasses of the book that weigh so much when they are empty."""
    for glass in book.glasses:
        if glass.tare_g is not None and abs(load_g - glass.tare_g) <= glass.tare_tolerance_g:
            yield glass


def misfit(book: Book, glass: Glass, load_g: float) -> str:
    """Why what weighs so much is not this glass, empty; "" when it may be. The glass has a tare."""
    tare_g = glass.tare_g or 0.0
    if abs(load_g - tare_g) <= glass.tare_tolerance_g:
        return ""
    others = sorted(one.glass for one in matching(book, load_g))
    if others:
        return f"by its weight, {load_g:.0f} g, an empty {' or '.join(others)} stands there, not the {glass.glass}."
    if load_g > tare_g:
        return f"what stands there weighs {load_g - tare_g:.0f} g more than an empty {glass.glass}: something is in it."
    return f"what stands there weighs {load_g:.0f} g, an empty {glass.glass} {tare_g:.0f} g."


class Standing:
    """Follows the load of the platform. Readings come in order of time, none of them doubtful.

    Attributes:
        left_g: the load before the last glass that was there was lifted; None before any was.
    """

    def __init__(self, book: Book) -> None:
        self._readings: deque[tuple[float, float]] = deque()
        self._agree_s: float | None = None  # since when the readings say the other
        self.is_there = False
        self.left_g: float | None = None
        self.know(book)

    def know(self, book: Book) -> None:
        """The book with its glasses."""
        tares = [glass.tare_g - glass.tare_tolerance_g for glass in book.glasses if glass.tare_g is not None]
        self._least_g = max(5.0, min(tares) / 2) if tares else UNSTATED_G

    def read(self, at_s: float, load_g: float) -> None:
        """Take in a reading."""
        self._readings.append((at_s, load_g))
        while self._readings[0][0] < at_s - KEPT_S:
            self._readings.popleft()
        if (load_g > self._least_g) is self.is_there:
            self._agree_s = None
        elif self._agree_s is None:
            self._agree_s = at_s
        elif at_s - self._agree_s >= SEEN_S:
            if self.is_there:
                self.left_g = self.unlifted_g
            self.is_there, self._agree_s = not self.is_there, None

    @property
    def newest_g(self) -> float:
        """The mean of the newest readings; 0 before the first."""
        return self._mean_g(0.0)

    @property
    def unlifted_g(self) -> float:
        """The load before a lift that has just been seen began; the newest where that is more."""
        return max(self._mean_g(0.0), self._mean_g(LIFTING_S))

    def _mean_g(self, before_s: float) -> float:
        """The mean of MEAN_S of readings up to before_s before the newest; 0 without any."""
        end_s = self._readings[-1][0] - before_s if self._readings else 0.0
        recent = [load_g for at_s, load_g in self._readings if end_s - MEAN_S <= at_s <= end_s]
        return sum(recent) / len(recent) if recent else 0.0

    def settled_g(self, now_s: float) -> float | None:
        """The load, when it has been holding still; None otherwise."""
        recent = [load_g for at_s, load_g in self._readings if at_s >= now_s - SETTLED_S]
        if len(recent) < 2 or max(recent) - min(recent) > SETTLED_G:
            return None
        return sum(recent) / len(recent)
