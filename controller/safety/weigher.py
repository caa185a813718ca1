"""The scale as the guard's second pair of eyes: what it sees of the operation under way and of the glass after it.

It only ever takes away: a pour is held, stopped or refused by what is weighed, never allowed.
"""

import math
from collections.abc import Iterable, Mapping

from controller.model.book import Book, Liquid
from controller.model.calibration import Calibration
from controller.model.scale import Reading
from controller.safety.evened import PER_S
from controller.safety.flow_watch import FlowWatch, Shortfall
from controller.safety.inflow import Flows
from controller.safety.progress import Progress
from controller.safety.rest_gain import RestGain
from controller.safety.standing import Standing
from controller.safety.suspects import Search

HEAVIEST_G_ML = 1.4  # no syrup is denser; of liquids of whose density nothing is said; common practice, no source
HEAVIER = 1.03  # what a liquid may weigh over what is made of its figures below; label and formulas, common practice
BRIX_G_ML = 0.0045  # a per cent of sugar makes a liquid denser by this: within 2.2 % to 68 Brix of ICUMSA's formula
ABV_G_ML = 0.0013  # a per cent of alcohol makes it lighter by this: within 1 % to 60 % vol of OIML R 22
OVER_G = 5.0  # by which a weighed cap may seem to be exceeded: momentum of the stream, drift, creep
WATCHED_S = 60.0  # for so long after a pour the scale is read at its full pace


def density_g_ml(liquid: Liquid | None) -> float:
    """About what a millilitre weighs: as stated, else by its sugar."""
    if liquid is None:
        return 1.0
    stated = liquid.density_kg_m3 or liquid.hydrometer_kg_m3
    if stated is not None:
        return stated / 1000
    if liquid.weighed_100_ml_g is not None:
        return liquid.weighed_100_ml_g / 100
    return 1.0 + BRIX_G_ML * (liquid.brix or 0.0) - ABV_G_ML * liquid.abv_percent


def heaviest_g_ml(liquid: Liquid | None) -> float:
    """The most that a millilitre weighs, as certain as the book's figures are."""
    if liquid is None:
        return HEAVIEST_G_ML
    figures = (liquid.density_kg_m3, liquid.hydrometer_kg_m3, liquid.weighed_100_ml_g, liquid.brix)
    is_said = any(one is not None for one in figures) or liquid.abv_percent > 0
    return HEAVIER * density_g_ml(liquid) if is_said else HEAVIEST_G_ML


class Weigher:
    """Fed with every reading that is worth anything, and with the progress of what is under way.

    Attributes:
        shortfall: liquid that is missing now; search: who is being tried; gain_g: what has arrived while nothing ran.
    """

    def __init__(self, book: Book, readings_per_s: int = PER_S) -> None:
        self._readings_per_s = readings_per_s
        self.standing = Standing(book)
        self.shortfall: Shortfall | None = None
        self.search: Search | None = None
        self.gain_g: float | None = None
        self.flows = Flows({})
        self._basis: dict[int, tuple[str, float]] = {}  # line -> liquid and time of the calibration that its flow is by
        self._watch: FlowWatch | None = None
        self._followed: Progress | None = None
        self._on: set[int] = set()
        self._told = 0  # edges of it that have been taken in
        self._rest = RestGain()
        self._watch_until_s = -math.inf
        self._base_g: float | None = None
        self._poured_g = 0.0  # up to the last hold
        self._heaviest_first: list[tuple[float, float]] = []  # of each line: g/mL at the most, mL at the most

    def begin(
        self,
        book: Book,
        calibrations: Mapping[int, Calibration],
        lines: Iterable[int],
        most_ml: Mapping[int, float],
    ) -> None:
        """A serving from these lines is about to begin or to go on; most_ml: what each of its lines can bring."""
        liquids = {one.liquid: one for one in book.liquids}
        of_line = {line: liquids.get(known.liquid) for line, known in calibrations.items()}
        self._know(calibrations, of_line)
        self._heaviest_first = sorted(
            ((heaviest_g_ml(of_line.get(line)), volume_ml) for line, volume_ml in most_ml.items()), reverse=True
        )
        can_watch = all(line in self.flows.nominal_g_s for line in lines)
        self._watch = FlowWatch(self.flows, self._readings_per_s) if can_watch else None

    def _know(self, calibrations: Mapping[int, Calibration], of_line: Mapping[int, Liquid | None]) -> None:
        """Flows as calibrated; what weighing has taught stays, however the engine refines a calibration meanwhile."""
        sound = {line: known for line, known in calibrations.items() if known.flow_ml_s > 0}
        flows = {line: known.flow_ml_s * density_g_ml(of_line[line]) for line, known in sound.items()}
        gassy = frozenset(line for line in sound if (liquid := of_line[line]) is not None and liquid.carbonated)
        basis = {line: (known.liquid, known.taken_wall_s) for line, known in sound.items()}
        self.flows.know(flows, gassy, kept=[line for line in basis if self._basis.get(line) == basis[line]])
        self._basis = basis

    def forget(self) -> None:
        """Runs are about to begin: whatever was looked for before them is past."""
        self.search = self.shortfall = self.gain_g = self._watch = None

    def read(self, readings: Iterable[Reading], progress: Progress | None, *, is_held: bool) -> None:
        """Take in readings. In a hold a person may be at the glass, and is while a hand step is due."""
        by_hand = is_held and progress is not None and not progress.is_begun
        for one in readings:
            if one.doubt or one.load_g is None:
                continue
            self._take_edges(progress, one.at_s)
            self.standing.read(one.at_s, one.load_g)
            if is_held or not self.standing.is_there:
                self._rebase()
            if by_hand or not self.standing.is_there:
                self._rest.leave()
            self.gain_g = self._rest.read(one.at_s, one.load_g) or self.gain_g
            if progress is not None and progress.is_serving:
                self._follow(one.at_s, one.load_g)

    def _follow(self, at_s: float, load_g: float) -> None:
        if self.search is not None:
            self.search.read(at_s, load_g)
        elif self._watch is not None and self.shortfall is None:
            self.shortfall = self._watch.read(at_s, load_g)

    def _take_edges(self, progress: Progress | None, now_s: float) -> None:
        self._switched(now_s)  # the last edges of one that is over by now
        if progress is not self._followed:
            self._followed, self._told = progress, 0
            self._base_g, self._poured_g = None, 0.0
            self._on.clear()
            self._switched(now_s)

    def _switched(self, now_s: float) -> None:
        edges = self._followed.switched[self._told :] if self._followed else []
        self._told += len(edges)
        for edge in edges:
            if self._watch is not None and self.search is None:
                self._watch.switched(edge.line, edge.is_on, edge.at_s)
            if edge.is_on:
                self._on.add(edge.line)
                self._base_g = self.standing.settled_g(now_s) if self._base_g is None else self._base_g
            else:
                self._on.discard(edge.line)
                self._watch_until_s = edge.at_s + WATCHED_S
            if self._on:
                self._rest.leave()
            else:
                self._rest.watch(edge.at_s)

    def _rebase(self) -> None:
        """What a person puts in or takes away is not poured; what was poured before still is."""
        if self._base_g is not None:
            self._poured_g += max(0.0, self.standing.unlifted_g - self._base_g)
            self._base_g = None

    @property
    def weighed_g(self) -> float:
        """What has been poured into the glass of this serving, as weighed."""
        newest_g = self.standing.newest_g
        return self._poured_g + (max(0.0, newest_g - self._base_g) if self._base_g is not None else 0.0)

    def exceeds(self, cap_ml: float) -> bool:
        """Whether more has been poured than the cap allows, for certain."""
        return self.weighed_g > self.most_g(cap_ml) + OVER_G

    def most_g(self, volume_ml: float) -> float:
        """The most that so much of this drink can weigh, g.

        Each line counts for what it brings at the most, the heaviest first; what is then left is of the heaviest, whose
        pump may be the one that runs on.
        """
        left_ml, grams = volume_ml, 0.0
        for g_ml, brought_ml in self._heaviest_first:
            grams += g_ml * min(left_ml, brought_ml)
            left_ml -= min(left_ml, brought_ml)
        return grams + left_ml * (self._heaviest_first[0][0] if self._heaviest_first else HEAVIEST_G_ML)

    def is_watching(self, now_s: float) -> bool:
        """Whether the scale is wanted at its full pace."""
        return self._rest.is_watching and now_s < self._watch_until_s

    def go_looking(self, owed_s: Mapping[int, float], now_s: float) -> Search | None:
        """Every channel has been switched off: the suspects that are to run alone, None when nobody has to."""
        found, self.shortfall, self._watch = self.shortfall, None, None
        if found is None or found.is_named:
            return None
        self.search = Search(found.suspects, owed_s, self.flows, now_s)
        return self.search
