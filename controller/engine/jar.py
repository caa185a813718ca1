"""The jar on the scale: whether it stands there, what is in it, and how much it still takes. All by weight."""

from collections.abc import Iterable

from msgspec.structs import replace

from controller.model.book import Glass
from controller.model.fields import Value

LEAST_G = 30.0  # less is no jar
MOST_G_ML = 2.0  # of an empty jar, by what it takes: thick glass has about 1 (common practice, no source)
LOOK_S = 3.0  # between the two looks at what may be the empty jar
SAME_G = 1.0  # nobody has touched it
EMPTY_G = 10.0  # what clings to a jar that was emptied
FILLED = 0.9  # of its volume
LIGHTEST_G_ML = 0.9  # of anything that a line pours; 40 % vol spirits have 0.948 (OIML R 22)


class Jar(Value, frozen=True, kw_only=True):
    """empty_g: what it weighed empty; last_g: the last load with it; touches: times that somebody set it down."""

    empty_g: float | None = None
    last_g: float | None = None
    touches: int = 0

    @property
    def poured_g(self) -> float:
        """What is in it, g."""
        return max((self.last_g or 0.0) - (self.empty_g or 0.0), 0.0)

    def room_ml(self, capacity_ml: float) -> float:
        """What it takes at least, mL."""
        return max(FILLED * capacity_ml - self.poured_g / LIGHTEST_G_ML, 0.0)


def stands(jar: Jar, load_g: float) -> bool:
    """Whether a jar stands there: any at first, later the same one, as full or emptied."""
    return load_g >= (LEAST_G if jar.empty_g is None else jar.empty_g - EMPTY_G)


def doubt(load_g: float, capacity_ml: float, glasses: Iterable[Glass]) -> str:
    """Why this load cannot be the empty jar that takes so much; "" when it can. glasses: of the book."""
    if load_g > MOST_G_ML * capacity_ml:
        return f"{load_g:.0f} g are too much for an empty jar that takes {capacity_ml:g} mL"
    for one in glasses:
        if one.tare_g is not None and abs(load_g - one.tare_g) <= one.tare_tolerance_g and one.brim_ml < capacity_ml:
            return f"{load_g:.0f} g are what the {one.glass} weighs, which takes {one.brim_ml:g} mL"
    return ""


def looked_at(jar: Jar, load_g: float) -> Jar:
    """The jar that stands there with this load at rest: as before, set back, emptied, or for the first time."""
    if jar.empty_g is None:
        return Jar(empty_g=load_g, last_g=load_g, touches=1)
    is_same = jar.last_g is not None and abs(load_g - jar.last_g) <= SAME_G
    return replace(jar, last_g=load_g, touches=jar.touches + (not is_same))
