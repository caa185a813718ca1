"""Drinks drawn for a machine of eight lines and two spare ones: long drinks, as both example books have them.

Every drink has one lengthener (soda, apple juice or cold tea, asked for in this proportion: 3 to 2 to 1), now and then
a second, and one to five others in small doses. The proportions and volumes are invented; on eight
lines such a drink takes about 25 s of the pumps' time.
"""

import random
from dataclasses import dataclass

from msgspec.structs import replace

from controller.model.book import Book, Liquid
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.profile import Profile
from controller.sequencing.twins import Source
from tests.sequencing.eight_lines import PROFILE, calibration

LONG = {"soda": 3.0, "apple juice": 2.0, "cold tea": 1.0}
SHORT = ("vermouth", "sloe gin", "ginger syrup", "lime cordial", "blackcurrant cordial")
LINES = {liquid: place + 1 for place, liquid in enumerate((*LONG, *SHORT))}
SPARE = (9, 10)
Drink = tuple[Resolved, ...]


@dataclass(frozen=True)
class Machine:
    """Ten lines, and what each would do with the liquid that hangs on it, the spare ones with any liquid."""

    profile: Profile
    known: dict[int, Calibration]

    def hanging(self, spares: dict[int, str]) -> dict[int, Calibration]:
        """Line -> calibration with these liquids on the spare lines."""
        return self.known | {line: replace(self.known[line], liquid=liquid) for line, liquid in spares.items()}


def machine(rng: random.Random, current_a: float) -> Machine:
    """The eight-line example with two more lines like its last, and a cap on current (A)."""
    last = PROFILE.lines[-1]
    extra = tuple(replace(last, line=line, gpio=20 + line, channel=line) for line in SPARE)
    lines = (*PROFILE.lines, *extra)
    caps = replace(PROFILE.caps, current_a=current_a, concurrent=len(lines))
    liquids = {line: liquid for liquid, line in LINES.items()}
    known = {
        line.line: calibration(line.line, liquids.get(line.line, "soda"), rng, line.pump.nominal_flow_ml_s)
        for line in lines
    }
    return Machine(replace(PROFILE, caps=caps, lines=lines), known)


def drink(rng: random.Random) -> Drink:
    """A drink of one phase, one in four with its lengthener in a phase of its own."""
    longs = list(dict.fromkeys(rng.choices(list(LONG), list(LONG.values()), k=rng.choice((1, 1, 1, 2)))))
    first = [(liquid, rng.uniform(5.0, 40.0)) for liquid in rng.sample(SHORT, rng.randint(1, 5))]
    last = [(liquid, rng.uniform(90.0, 170.0) / len(longs)) for liquid in longs]
    parts = [first, last] if rng.random() < 0.25 else [first + last]
    return tuple(Resolved(doses=tuple(part), hand=None, takes_ml=0.0) for part in parts)


def sources(spares: dict[int, str]) -> dict[str, tuple[Source, ...]]:
    """Liquid -> the lines it hangs on, with these liquids on the spare lines."""
    lines: dict[str, tuple[int, ...]] = {liquid: (line,) for liquid, line in LINES.items()}
    for line, liquid in spares.items():
        lines[liquid] += (line,)
    return {liquid: tuple(Source(line=line) for line in found) for liquid, found in lines.items()}


def menu(book: Book) -> Book:
    """The book with the liquids of these drinks, all as thin as water."""
    liquids = tuple(Liquid(liquid=liquid, density_kg_m3=1000.0, viscosity_mpa_s=1.0) for liquid in LINES)
    return replace(book, liquids=liquids)
