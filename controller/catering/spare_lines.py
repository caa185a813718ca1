"""What should hang on lines that are to spare: the liquids whose second line saves most of the pumps' time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.metering.suction import check_suction
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.sequencing.plan import plan_serving
from controller.sequencing.twins import on_lines

CANDIDATES = 4  # liquids looked at for each line: those whose lines are busiest
LEAST_SAVED_S = 0.2  # of a drink on average: less is not worth a container, a calibration and a cleaning
QUICK = 2000  # work on a plan that is only compared with others


class SpareLine(Value, frozen=True, kw_only=True):
    """A liquid for a spare line; how long the pumps are busy with a drink on average before it hangs there, and then.

    saved_s is what this line adds to those named before it.
    """

    line: int
    liquid: str
    before_s: float
    then_s: float

    @property
    def saved_s(self) -> float:
        """Of the pumps' time of a drink, on average."""
        return self.before_s - self.then_s


@dataclass(frozen=True, kw_only=True)
class MenuDrink:
    """A drink, and its share of all drinks."""

    phases: tuple[Resolved, ...]
    share: float

    @property
    def liquids(self) -> frozenset[str]:
        """What is in it."""
        return frozenset(liquid for phase in self.phases for liquid, _ in phase.doses)


def for_spare_lines(
    profile: Profile,
    book: Book,
    drinks: Sequence[MenuDrink],
    sources: Mapping[str, tuple[int, ...]],
    known: Mapping[int, Calibration],
) -> tuple[SpareLine, ...]:
    """What should hang on the lines that no liquid uses, the line that saves most first; none that saves nothing.

    sources: liquid -> its lines. known: line -> calibration, of the spare lines with any liquid. One line after the
    other gets the liquid that saves most then.
    """
    search = _Lengths(profile, drinks, known)
    hung, found = dict(sources), list[SpareLine]()
    spare = [line.line for line in profile.lines if line.line not in {one for lines in hung.values() for one in lines}]
    lengths_s = search.lengths_s(hung, dict.fromkeys(range(len(drinks)), 0.0), None)
    while spare:
        before_s = search.mean_s(lengths_s)
        tried = []
        for liquid in search.busiest(hung):
            line = next((one for one in spare if _can_draw(profile, book, one, liquid)), None)
            if line is not None:
                changed = hung | {liquid: (*hung[liquid], line)}
                then = search.lengths_s(changed, lengths_s, liquid)
                tried.append((search.mean_s(then), line, liquid, changed, then))
        if not tried:
            break
        then_s, line, liquid, hung, lengths_s = min(tried, key=lambda one: one[0])
        if before_s - then_s < LEAST_SAVED_S:
            break
        found.append(SpareLine(line=line, liquid=liquid, before_s=before_s, then_s=then_s))
        spare.remove(line)
    return tuple(found)


def _can_draw(profile: Profile, book: Book, line: int, liquid: str) -> bool:
    return check_suction(profile.line(line), book.liquid(liquid)).verdict != "starves"


class _Lengths:
    """Lengths of all drinks with liquids hung this way or that."""

    def __init__(self, profile: Profile, drinks: Sequence[MenuDrink], known: Mapping[int, Calibration]) -> None:
        self._profile, self._drinks, self._known = profile, drinks, known

    def lengths_s(
        self, hung: Mapping[str, tuple[int, ...]], before_s: Mapping[int, float], changed: str | None
    ) -> dict[int, float]:
        """Drink -> the pumps' time, s: worked out anew for drinks with the changed liquid, all of them for None."""
        return {
            number: self._length_s(one.phases, hung) if changed is None or changed in one.liquids else before_s[number]
            for number, one in enumerate(self._drinks)
        }

    def mean_s(self, lengths_s: Mapping[int, float]) -> float:
        """Of a drink on average, s."""
        return sum(one.share * lengths_s[number] for number, one in enumerate(self._drinks))

    def busiest(self, hung: Mapping[str, tuple[int, ...]]) -> list[str]:
        """The liquids whose lines are on longest, each line's share alone."""
        on_s: dict[str, float] = {}
        for one in self._drinks:
            for liquid, volume_ml in (dose for phase in one.phases for dose in phase.doses):
                flow_ml_s = sum(self._known[line].flow_ml_s for line in hung[liquid])
                on_s[liquid] = on_s.get(liquid, 0.0) + one.share * volume_ml / flow_ml_s
        return sorted(on_s, key=lambda liquid: -on_s[liquid])[:CANDIDATES]

    def _length_s(self, phases: tuple[Resolved, ...], hung: Mapping[str, tuple[int, ...]]) -> float:
        return plan_serving(self._profile, self._known, on_lines(hung), phases, work=QUICK).makespan_s
