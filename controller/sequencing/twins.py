"""Twin lines: a dose that several lines share, split so that its phase is over soonest.

Begun with shares that take equally long; `split_search` looks for better ones together with the order of starts. A line
that only holds the others up (its lag, inrush and gap cost more than it gives) is left out.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from msgspec.structs import replace

from controller.metering.calibration import run_time_s
from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.sequencing.pump_run import serving_run
from controller.sequencing.schedule_loads import Limits, load_of, room_of, whole
from controller.sequencing.split_search import Candidate, search

STEP = 2  # a placement of a split costs about so many of an order alone
LONG_S = 1e3  # longer than any inrush
LEAST_SHARE_ML = 2.0  # a smaller one is not worth a start, whatever the line can meter


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


def shares(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    doses: Sequence[SharedDose],
    limits: Limits,
    *,
    work: int,
) -> Split:
    """The doses of one phase, each split over its lines. Every line must be calibrated.

    A dose that no split fits (too small for two lines, more than the containers hold) stays on its first line. work: of
    the search, in placements of a run as `schedule` counts them; fewer give a longer plan, but one.
    """
    splits = tuple(evenly(dose, calibrations) for dose in doses)
    if all(len(one) == 1 for one in splits):
        return splits
    beside_a = _beside_a(profile, calibrations, limits, splits)
    sources = [dose.sources if len(one) > 1 else _only(dose, one) for dose, one in zip(doses, splits, strict=True)]
    places = [(number, one) for number, each in enumerate(sources) for one in each]
    candidates = [
        _candidate(profile, calibrations[one.line], limits, beside_a[one.line], (number, one)) for number, one in places
    ]
    volumes = [splits[number].get(one.line, 0.0) for number, one in places]
    found: Split = tuple({} for _ in doses)
    for (number, one), volume_ml in zip(
        places, search(candidates, room_of(limits), volumes, work // STEP), strict=True
    ):
        if volume_ml > 0.0:
            found[number][one.line] = volume_ml
    return found


def _only(dose: SharedDose, split: Mapping[int, float]) -> list[Source]:
    """The source that a dose stays on, whatever it can give."""
    return [replace(one, least_ml=0.0, most_ml=math.inf) for one in dose.sources if one.line in split]


def evenly(dose: SharedDose, calibrations: Mapping[int, Calibration]) -> dict[int, float]:
    """Shares that take equally long, within what each line can give."""
    sources = dose.sources
    flows = {one.line: calibrations[one.line].flow_ml_s for one in sources}
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


def _beside_a(
    profile: Profile, calibrations: Mapping[int, Calibration], limits: Limits, splits: Split
) -> dict[int, float]:
    """Line -> the mean current of the others in a plan with these splits, A."""
    times = {line: run_time_s(calibrations[line], volume_ml) for shared in splits for line, volume_ml in shared.items()}
    charge = sum(time_s * profile.line(line).pump.run_a for line, time_s in times.items())
    mean_a = min(limits.current_a, charge / max(times.values()))
    return {one.line: max(0.0, mean_a - one.pump.run_a) for one in profile.lines}


def _candidate(
    profile: Profile, known: Calibration, limits: Limits, beside_a: float, drawn: tuple[int, Source]
) -> Candidate:
    dose, source = drawn
    return Candidate(
        dose=dose,
        least_ml=source.least_ml,
        most_ml=source.most_ml,
        flow_ml_s=known.flow_ml_s * (1.0 - known.sag_per_a * beside_a),
        lag=whole(known.lag_s) + whole(limits.overlap_s),
        long=load_of(serving_run(profile, known, LONG_S), limits, is_last_phase=True),
    )
