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
from heapq import heappop, heappush
from itertools import pairwise
from typing import NamedTuple

from msgspec.structs import replace

from controller.metering.calibration import run_time_s
from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.sequencing.pump_run import serving_run
from controller.sequencing.schedule_anneal import anneal
from controller.sequencing.schedule_bounds import bounds
from controller.sequencing.schedule_loads import Limits, RunLoad, load_of, room_of, seconds, whole

ROUNDS = 5  # of moving volume, then looking for a better order
STARTS = 6  # of the splits begun with, those worth improving
WORK_ON_ORDER = 800  # placements of a run, each time
GRID, ZOOMS = 6, 2  # shares tried at once, and how often the best one's surroundings are tried again
CLOSE = 1e-3  # so near to what cannot be beaten, nothing more is tried
GAIN = 1e-4  # a change that saves less than this part is not worth a further round
LONG_S = 1e3  # longer than any inrush
LEAST_SHARE_ML = 2.0  # a smaller one is not worth a start, whatever the line can meter
ENDS_COUNT = 0.01  # what the end of a shared dose counts beside the end of the phase


class Source(Value, frozen=True, kw_only=True):
    """A line that a liquid may be drawn from: all of a dose, nothing, or a share from least_ml to most_ml."""

    line: int
    least_ml: float = LEAST_SHARE_ML
    most_ml: float = math.inf


Sources = Mapping[str, tuple[Source, ...]]  # liquid -> the lines it may be drawn from, the preferred one first


def on_lines(lines: Mapping[str, Sequence[int]]) -> dict[str, tuple[Source, ...]]:
    """Each liquid (liquid -> lines) from any of its lines, with nothing said of how much each can give."""
    return {liquid: tuple(Source(line=line) for line in each) for liquid, each in lines.items()}


def one_line_each(lines: Mapping[str, int]) -> dict[str, tuple[Source, ...]]:
    """Each liquid (liquid -> line) from one line alone."""
    return on_lines({liquid: (line,) for liquid, line in lines.items()})


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
    search = _SplitSearch(profile, calibrations, doses, limits, splits)
    uneven = [
        (*splits[:number], _evenly(dose, calibrations, dose.sources, less=line), *splits[number + 1 :])
        for number, dose in enumerate(doses)
        for line in splits[number]
        if len(splits[number]) > 1
    ]
    best, judged = search.best_of([splits, *uneven])
    if judged <= search.least_s(splits) * (1.0 + CLOSE):
        return best
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


def _evenly(
    dose: SharedDose, calibrations: Mapping[int, Calibration], sources: Sequence[Source], less: int | None = None
) -> dict[int, float]:
    """Shares that take equally long, within what each line can give; the line `less` takes half as long."""
    flows = {one.line: calibrations[one.line].flow_ml_s * (0.5 if one.line == less else 1.0) for one in sources}
    used = [one for one in sources if one.most_ml >= min(one.least_ml, dose.volume_ml)] or list(sources)
    while len(used) > 1 and sum(one.least_ml for one in used) > dose.volume_ml:
        used.remove(max(used, key=lambda one: one.least_ml))
    if len(used) == 1 or sum(one.most_ml for one in used) < dose.volume_ml:
        alone = min(sources, key=lambda one: (one.most_ml < dose.volume_ml, one.least_ml))
        return {alone.line: dose.volume_ml}
    share, open_ml, free = dict[int, float](), dose.volume_ml, used
    while free:
        per_flow = open_ml / sum(flows[one.line] for one in free)
        asked = {one.line: per_flow * flows[one.line] for one in free}
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


class _SplitSearch:
    """Moves volume between the lines of shared doses."""

    def __init__(
        self,
        profile: Profile,
        calibrations: Mapping[int, Calibration],
        doses: Sequence[SharedDose],
        limits: Limits,
        splits: Split,
    ) -> None:
        self._calibrations, self._room = calibrations, room_of(limits)
        self._sources = [{one.line: one for one in dose.sources} for dose in doses]
        self._laws = _laws(profile, calibrations, limits, splits)

    def best_of(self, starts: Sequence[Split]) -> tuple[Split, float]:
        """The best split found from the most promising of these."""
        best, judged = self.improved(starts[0])
        least_s = self.least_s(starts[0]) * (1.0 + CLOSE)
        for split in sorted(starts[1:], key=lambda one: self._ordered(one)[0])[:STARTS] if judged > least_s else ():
            tried = self.improved(split)
            if tried[1] < judged:
                best, judged = tried
        return best, judged

    def least_s(self, splits: Split) -> float:
        """What no split of these lines is likely to beat, judged as they are: every dose on all its lines at once."""
        ends = [0.0] * len(splits)
        for number, shared in enumerate(splits):
            flows = sorted((self._calibrations[line].flow_ml_s for line in shared), reverse=True)
            alone_s = [seconds(self._laws[line].load(volume_ml).duration) for line, volume_ml in shared.items()]
            late_ml = sum(place * seconds(self._room.gap) * flow for place, flow in enumerate(flows))
            poured_ml = sum(
                on_s * self._calibrations[line].flow_ml_s for on_s, line in zip(alone_s, shared, strict=True)
            )
            ends[number] = (poured_ml + late_ml) / sum(flows)
        late_s = sum(end for end, shared in zip(ends, splits, strict=True) if len(shared) > 1)
        return max(ends) + ENDS_COUNT * late_s

    def improved(self, splits: Split) -> tuple[Split, float]:
        """The best split of the same lines found, and what it is judged by."""
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
        ends = self._ends_s(splits, order, number)
        by_end = sorted(splits[number], key=lambda line: ends[line])
        for early, late in dict.fromkeys(((by_end[0], by_end[-1]), *pairwise(by_end))):
            more_ml = self._level_ml(early, late, ends[late] - ends[early])
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
        runs, of_dose = self._loads(splits), [0.0] * len(splits)
        for place, start in zip(order, self._starts([load for _, _, load in runs], order), strict=True):
            number, _, load = runs[place]
            of_dose[number] = max(of_dose[number], start + load.duration)
        late = sum(of_dose[number] for number, shared in enumerate(splits) if len(shared) > 1)
        return seconds(max(of_dose) + ENDS_COUNT * late)

    def _ends_s(self, splits: Split, order: Sequence[int], number: int) -> dict[int, float]:
        """Line -> end of its share of this dose, by the order of starts, s."""
        runs = self._loads(splits)
        starts = self._starts([load for _, _, load in runs], order)
        return {
            runs[place][1]: seconds(start + runs[place][2].duration)
            for place, start in zip(order, starts, strict=True)
            if runs[place][0] == number
        }

    def _starts(self, loads: Sequence[RunLoad], order: Sequence[int]) -> list[float]:
        """When the runs of this order start, each at the first instant at which it fits, in the search's numbers."""
        current, flow, channels, gap = self._room
        time, drops, starts = 0.0, list[tuple[float, float, float, float]](), list[float]()
        for index in order:
            duration, _, inrush_for, inrush, steady, own_flow = loads[index]
            while (drops and drops[0][0] <= time) or inrush > current or own_flow > flow or channels < 1:
                when, more_current, more_flow, more_channels = heappop(drops)
                time = max(time, when)
                current, flow, channels = current + more_current, flow + more_flow, channels + more_channels
            starts.append(time)
            current, flow, channels = current - inrush, flow - own_flow, channels - 1.0
            heappush(drops, (time + duration, steady, own_flow, 1.0))
            if inrush > steady:
                heappush(drops, (time + inrush_for, inrush - steady, 0.0, 0.0))
            time += gap
        return starts

    def _loads(self, splits: Split) -> list[tuple[int, int, RunLoad]]:
        """Each run's dose, line and load."""
        return [
            (number, line, self._laws[line].load(volume_ml))
            for number, shared in enumerate(splits)
            for line, volume_ml in shared.items()
        ]


class _Law:
    """What a share of a line asks of the machine, beside a mean current of others (A)."""

    def __init__(self, profile: Profile, known: Calibration, limits: Limits, beside_a: float) -> None:
        self._known, self._beside_a, self._overlap = known, beside_a, whole(limits.overlap_s)
        self._long = load_of(serving_run(profile, known, LONG_S), limits, is_last_phase=True)

    def load(self, volume_ml: float) -> RunLoad:
        """The run of this volume; a run shorter than its inrush draws that throughout."""
        _, _, inrush_for, inrush, current, flow = self._long
        duration = whole(run_time_s(self._known, volume_ml, self._beside_a)) + self._overlap
        if duration <= inrush_for:
            return RunLoad(duration, duration, duration, inrush, inrush, flow)
        return RunLoad(duration, duration, inrush_for, inrush, current, flow)


def _laws(profile: Profile, calibrations: Mapping[int, Calibration], limits: Limits, splits: Split) -> dict[int, _Law]:
    """Line -> its law beside the mean current of a plan with these splits."""
    volumes_ml = {line: volume_ml for shared in splits for line, volume_ml in shared.items()}
    times = {line: run_time_s(calibrations[line], volume_ml) for line, volume_ml in volumes_ml.items()}
    currents = {line: profile.line(line).pump.run_a for line in volumes_ml}
    charge = sum(times[line] * currents[line] for line in times)
    mean_a = min(limits.current_a, charge / max(times.values()))
    return {line: _Law(profile, calibrations[line], limits, max(0.0, mean_a - currents[line])) for line in volumes_ml}
