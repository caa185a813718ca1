"""Twin lines: a dose that several lines share, split so that its phase is over soonest.

A share is a volume, so the split is a continuous choice beside the order of starts. Both are improved by turns: with
the order kept, volume moves between the line that ends last and one that ends before it, as far as makes the phase
shortest; with the shares kept, a better order is looked for. A line that only holds the others up (its lag, inrush and
gap cost more than it gives) is left out. Of plans that take equally long, those in which shared doses end sooner are
preferred: what one dose gains may only show once another has gained, too.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from msgspec.structs import replace

from controller.metering.calibration import run_time_s
from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.sequencing.pump_run import serving_run
from controller.sequencing.schedule_anneal import Placing, anneal
from controller.sequencing.schedule_bounds import Weights, bounds
from controller.sequencing.schedule_loads import Limits, RunLoad, load_of, room_of, seconds

ROUNDS = 4  # of moving volume, then looking for a better order
WORK_ON_ORDER = 500  # placements of a run, each time
GRID, ZOOMS = 6, 2  # shares tried at once, and how often the best one's surroundings are tried again
GAIN = 1e-4  # a change that saves less than this part is not worth a further round
LEAST_SHARE_ML = 2.0  # a smaller one is not worth a start, whatever the line can meter
ENDS_COUNT = 0.01  # what the end of a shared dose counts beside the end of the phase


class Source(Value, frozen=True, kw_only=True):
    """A line that a liquid may be drawn from: all of a dose, nothing, or a share from least_ml to most_ml."""

    line: int
    least_ml: float = LEAST_SHARE_ML
    most_ml: float = math.inf


Sources = Mapping[str, tuple[Source, ...]]  # liquid -> the lines it may be drawn from, the preferred one first


def one_line_each(lines: Mapping[str, int]) -> dict[str, tuple[Source, ...]]:
    """Each liquid (liquid -> line) from one line alone."""
    return {liquid: (Source(line=line),) for liquid, line in lines.items()}


def without(sources: Sequence[Source], shared: Mapping[int, float]) -> tuple[Source, ...]:
    """What these sources can still give after shares (line -> mL) were taken from them."""
    return tuple(replace(one, most_ml=max(0.0, one.most_ml - shared.get(one.line, 0.0))) for one in sources)


@dataclass(frozen=True, kw_only=True)
class SharedDose:
    """A volume of one liquid, and the lines that may share it."""

    liquid: str
    volume_ml: float
    sources: tuple[Source, ...]


Split = tuple[dict[int, float], ...]  # for each dose: line -> mL
Placed = tuple[float, tuple[int, ...]]  # what a split is judged by (s), and the order of its runs


def shares(
    profile: Profile, calibrations: Mapping[int, Calibration], doses: Sequence[SharedDose], limits: Limits
) -> Split:
    """The doses of one phase, each split over its lines. Every line must be calibrated.

    A dose that no split fits (too small for two lines, more than the containers hold) stays on its first line.
    """
    splits = tuple(_evenly(dose, calibrations, dose.sources) for dose in doses)
    if all(len(one) == 1 for one in splits):
        return splits
    search = _Search(profile, calibrations, doses, limits)
    best, judged = search.improved(splits)
    for number, dose in enumerate(doses):
        for source in dose.sources:
            fewer = tuple(one for one in dose.sources if one.line in best[number] and one.line != source.line)
            if source.line not in best[number] or not fewer or sum(one.most_ml for one in fewer) < dose.volume_ml:
                continue
            changed = (*best[:number], _evenly(dose, calibrations, fewer), *best[number + 1 :])
            tried = search.improved(changed)
            if tried[1] < judged * (1.0 - GAIN):
                best, judged = tried
    return best


def _evenly(dose: SharedDose, calibrations: Mapping[int, Calibration], sources: Sequence[Source]) -> dict[int, float]:
    """Shares that take equally long, within what each line can give."""
    used = [one for one in sources if one.most_ml >= min(one.least_ml, dose.volume_ml)] or list(sources)
    while len(used) > 1 and sum(one.least_ml for one in used) > dose.volume_ml:
        used.remove(max(used, key=lambda one: one.least_ml))
    if len(used) == 1 or sum(one.most_ml for one in used) < dose.volume_ml:
        alone = min(sources, key=lambda one: (one.most_ml < dose.volume_ml, one.least_ml))
        return {alone.line: dose.volume_ml}
    share, open_ml, free = dict[int, float](), dose.volume_ml, used
    while free:
        per_flow = open_ml / sum(calibrations[one.line].flow_ml_s for one in free)
        asked = {one.line: per_flow * calibrations[one.line].flow_ml_s for one in free}
        short = [one for one in free if asked[one.line] < one.least_ml]
        bound = short or [one for one in free if asked[one.line] > one.most_ml]
        if not bound:
            return {one.line: (share | asked)[one.line] for one in used}
        share |= {one.line: one.least_ml if short else one.most_ml for one in bound}
        free = [one for one in free if one not in bound]
        open_ml = max(0.0, dose.volume_ml - sum(share.values()))
    return {used[0].line: dose.volume_ml}


class _Pair(NamedTuple):
    """Two lines of one dose."""

    number: int
    early: int
    late: int


class _Search:
    """Moves volume between the lines of shared doses."""

    def __init__(
        self,
        profile: Profile,
        calibrations: Mapping[int, Calibration],
        doses: Sequence[SharedDose],
        limits: Limits,
    ) -> None:
        self._profile, self._calibrations, self._doses, self._limits = profile, calibrations, doses, limits
        self._room = room_of(limits)
        self._sources = [{one.line: one for one in dose.sources} for dose in doses]
        self._beside_a = 0.0  # the pumps' mean current, for run times under sag

    def improved(self, splits: Split) -> tuple[Split, float]:
        """The best split of the same lines found, and what it is judged by."""
        self._beside_a = self._mean_current_a(splits)
        judged, order = self._ordered(splits)
        for _ in range(ROUNDS):
            before = judged
            for number in range(len(splits)):
                for moved in self._moves(splits, order, number):
                    value = self._judged(moved, order)
                    if value < judged:
                        splits, judged = moved, value
            tried = self._ordered(splits)
            judged, order = min((judged, order), tried, key=lambda one: one[0])
            if judged > before * (1.0 - GAIN):
                break
        return splits, judged

    def _moves(self, splits: Split, order: Sequence[int], number: int) -> Iterator[Split]:
        """The best splits found by moving volume between two lines of a dose, the rest and the order kept."""
        if len(splits[number]) < 2:
            return
        ends = {line: end for place, line, _, end in self._ends(splits, order) if place == number}
        by_end = sorted(splits[number], key=lambda line: ends[line])
        for early, late in dict.fromkeys(((by_end[0], by_end[-1]), *pairwise(by_end))):
            more_ml = self._level_ml(early, late, seconds(ends[late] - ends[early]))
            yield self._moved(splits, order, _Pair(number, early, late), more_ml)

    def _level_ml(self, early: int, late: int, apart_s: float) -> float:
        """What the early line must take over for both to end at once, were their starts to stay."""
        flows = [self._calibrations[line].flow_ml_s for line in (early, late)]
        return apart_s * flows[0] * flows[1] / sum(flows)

    def _moved(self, splits: Split, order: Sequence[int], pair: _Pair, more_ml: float) -> Split:
        """The best split of what two lines give: a grid, then its best place once more and finer."""
        shared, sources = splits[pair.number], self._sources[pair.number]
        both_ml = shared[pair.early] + shared[pair.late]
        low = max(sources[pair.early].least_ml, both_ml - sources[pair.late].most_ml)
        high = min(sources[pair.early].most_ml, both_ml - sources[pair.late].least_ml)
        if high <= low:
            return splits

        def at(early_ml: float) -> Split:
            changed = shared | {pair.early: early_ml, pair.late: both_ml - early_ml}
            return (*splits[: pair.number], changed, *splits[pair.number + 1 :])

        tried = [shared[pair.early], min(high, max(low, shared[pair.early] + more_ml))]
        for _ in range(1 + ZOOMS):
            step = (high - low) / GRID
            grid = [*tried, *(low + step * place for place in range(GRID + 1))]
            best = min(grid, key=lambda early_ml: self._judged(at(early_ml), order))
            low, high, tried = max(low, best - step), min(high, best + step), [best]
        return at(best)

    def _ordered(self, splits: Split) -> Placed:
        loads = [load for _, _, load in self._loads(splits)]
        _, order = anneal(loads, self._room, bounds(loads, self._room), WORK_ON_ORDER)
        return self._judged(splits, order), order

    def _judged(self, splits: Split, order: Sequence[int]) -> float:
        ends, of_dose = self._ends(splits, order), dict[int, float]()
        for number, _, tail, _ in ends:
            of_dose[number] = max(of_dose.get(number, 0.0), tail)
        late = sum(of_dose[number] for number, shared in enumerate(splits) if len(shared) > 1)
        return seconds(max(of_dose.values()) + ENDS_COUNT * late)

    def _ends(self, splits: Split, order: Sequence[int]) -> list[tuple[int, int, float, float]]:
        """Each run's dose, line, end for the next phase and end, by the order of starts; in the search's numbers."""
        runs, nothing = self._loads(splits), [0.0] * len(order)
        loads = [load for _, _, load in runs]
        _, _, states = Placing(loads, self._room, Weights(nothing, nothing, 0.0)).whole(order)
        found = []
        for place, (next_start, *_) in zip(order, states[1:], strict=True):
            number, line, load = runs[place]
            start = next_start - self._room.gap
            found.append((number, line, start + load.tail, start + load.duration))
        return found

    def _loads(self, splits: Split) -> list[tuple[int, int, RunLoad]]:
        found = []
        for number, shared in enumerate(splits):
            for line, volume_ml in shared.items():
                known = self._calibrations[line]
                beside_a = max(0.0, self._beside_a - self._profile.line(line).pump.run_a)
                run = serving_run(self._profile, known, run_time_s(known, volume_ml, beside_a))
                found.append((number, line, load_of(run, self._limits, is_last_phase=True)))
        return found

    def _mean_current_a(self, splits: Split) -> float:
        times = [
            (run_time_s(self._calibrations[line], volume_ml), self._profile.line(line).pump.run_a)
            for shared in splits
            for line, volume_ml in shared.items()
        ]
        charge = sum(on_s * current_a for on_s, current_a in times)
        return min(self._limits.current_a, charge / max(on_s for on_s, _ in times))
