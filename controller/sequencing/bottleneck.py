"""Which limit keeps a plan from being shorter or from being at all, and the smallest change that would help."""

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

import msgspec

from controller.errors import Refused
from controller.sequencing.schedule import explain_unfit, named, schedule
from controller.sequencing.schedule_loads import Limits, Run

LONGEST_RUN = "longest run"
NOTICEABLE = 0.02  # of a plan's time: a limit that costs less than this is not worth a change of the machine
# Work on one of the many plans tried for advice, in placements of a run. Less work may miss a plan that just fits;
# then the advice asks for a little more than is needed, and what it asks for still suffices.
WORK_ON_ADVICE = 3000
WORK_ON_TRIES = (
    10 * WORK_ON_ADVICE
)  # on all plans tried for one piece of advice; the others are made by list rules alone


class _Limit(NamedTuple):
    """One limit and the fineness of advice on it."""

    name: str
    field: str
    unit: str
    step: float


LIMITS = (
    _Limit("supply current", "current_a", " A", 0.1),
    _Limit("combined flow", "flow_ml_s", " mL/s", 0.1),
    _Limit("lines on at once", "concurrent", "", 1),
    _Limit("gap between starts", "start_gap_s", " s", 0.01),
    _Limit("settle time between phases", "settle_s", " s", 0.1),
)


def _idle(limit: _Limit, runs: Sequence[Run], limits: Limits) -> float:
    """A value at which this limit has no effect on these runs."""
    if limit.field == "current_a":
        return limits.current_a + sum(run.peak_a for run in runs)
    if limit.field == "flow_ml_s":
        return limits.flow_ml_s + sum(run.flow_ml_s for run in runs)
    return float(limits.concurrent + len(runs)) if limit.field == "concurrent" else 0.0


class Bottleneck(msgspec.Struct, frozen=True, kw_only=True):
    """The limit that lengthens a plan most, or LONGEST_RUN if none does noticeably; the plan's length without it, s."""

    limit: str
    without_s: float


def bottleneck(
    batches: Sequence[Sequence[Run]],
    limits: Limits,
    total_s: float,
    length_s: Callable[[Limits], float] | None = None,
) -> Bottleneck:
    """What lengthens plans that take total_s, poured one after the other, most. Every run must fit alone.

    length_s: how long they take within other limits; without it, run times stay as they are.
    """

    def as_they_are_s(changed: Limits) -> float:
        return sum(schedule(runs, changed, work=WORK_ON_ADVICE).makespan_s for runs in batches)

    found = Bottleneck(limit=LONGEST_RUN, without_s=total_s)
    for limit in LIMITS if batches else ():
        without = max(_idle(limit, runs, limits) for runs in batches)
        changed, noticeable_s = _with(limits, limit, without), (1 - NOTICEABLE) * total_s
        if sum(schedule(runs, changed, work=0).lower_bound_s for runs in batches) <= noticeable_s:
            without_s = (length_s or as_they_are_s)(changed)
            if without_s <= noticeable_s and without_s < found.without_s:
                found = Bottleneck(limit=limit.name, without_s=without_s)
    return found


def explain(runs: Sequence[Run], limits: Limits, takes_s: float | None = None) -> Refused | None:
    """Why no plan of these runs keeps to the limits, with the smallest change that would help; None when one does.

    takes_s: how long the shortest plan found takes, where that is known.
    """
    unfit = explain_unfit(runs, limits)
    if unfit:
        return unfit
    takes_s = schedule(runs, limits).makespan_s if takes_s is None else takes_s
    if takes_s <= limits.total_s:
        return None
    cause = bottleneck([runs], limits, takes_s).limit
    tries = _Tries()
    ways = _changes(runs, limits, tries) + _left_out(runs, limits, tries) + _smaller(runs, limits, tries)
    return Refused(
        rule="total_time",
        reason=(
            f"the shortest plan found takes {_up_s(takes_s)} s, allowed are {limits.total_s:g} s; what keeps it from "
            f"being shorter is: {cause}."
        ),
        asked=f"{_up_s(takes_s)} s",
        allowed=f"{limits.total_s:g} s",
        remedy=f"{ways[0][0].upper()}{', or '.join(ways)[1:]}." if ways else "",
    )


def _with(limits: Limits, limit: _Limit, value: float) -> Limits:
    return msgspec.structs.replace(limits, **{limit.field: value})


class _Tries:
    """Plans tried for one piece of advice, as carefully as the work that is left allows."""

    def __init__(self) -> None:
        self._left = WORK_ON_TRIES

    def length_s(self, runs: Sequence[Run], limits: Limits) -> float:
        """How long the shortest plan found takes, s."""
        work = min(WORK_ON_ADVICE, self._left)
        self._left -= work
        return schedule(runs, limits, work=work).makespan_s

    def fits(self, runs: Sequence[Run], limits: Limits) -> bool:
        """Whether a plan was found that keeps to the limit on time."""
        quick = schedule(runs, limits, work=0)
        if quick.makespan_s <= limits.total_s or quick.lower_bound_s > limits.total_s:
            return quick.makespan_s <= limits.total_s
        return self.length_s(runs, limits) <= limits.total_s

    def fits_with(self, runs: Sequence[Run], limits: Limits, limit: _Limit, value: float) -> bool:
        """The same with another value of one limit."""
        return self.fits(runs, _with(limits, limit, value))


def _changes(runs: Sequence[Run], limits: Limits, tries: _Tries) -> list[str]:
    """For each limit by itself the smallest change that suffices, the smallest in proportion first."""
    found = []
    for limit in LIMITS:
        now, without = float(getattr(limits, limit.field)), _idle(limit, runs, limits)
        value = _first(_values(now, without, limit.step), partial(tries.fits_with, runs, limits, limit))
        if value is not None:
            text = f"allow {value:g}{limit.unit} instead of {now:g}{limit.unit} ({limit.name})"
            found.append((abs(value - now) / now, text))
    return [text for _, text in sorted(found)][:2]


def _values(now: float, without: float, step: float) -> list[float]:
    """From the next multiple of `step` after `now` to beyond `without`, on the way there."""
    sign = 1 if without > now else -1
    first = math.floor(now / step + 1e-9) + 1 if sign > 0 else math.ceil(now / step - 1e-9) - 1
    count = max(0, math.ceil(abs(without - first * step) / step - 1e-9) + 1)
    if sign * (without - now) <= 0:
        count = 0
    return [round(max(0.0, (first + sign * place) * step), 6) for place in range(count)]


def _first(values: Sequence[float], suffices: Callable[[float], bool]) -> float | None:
    """The first value that suffices, if each later one does as well; None when the last does not."""
    if not values or not suffices(values[-1]):
        return None
    low, high = 0, len(values) - 1
    while low < high:
        middle = (low + high) // 2
        if suffices(values[middle]):
            high = middle
        else:
            low = middle + 1
    return values[high]


def _left_out(runs: Sequence[Run], limits: Limits, tries: _Tries) -> list[str]:
    """The line to pour by itself that leaves most of the rest together."""
    choices = []
    for line in dict.fromkeys(run.line for run in runs):
        rest = [run for run in runs if run.line != line]
        own_s = sum(run.duration_s for run in runs if run.line == line)
        if rest and own_s <= limits.total_s and tries.fits(rest, limits):
            choices.append((-schedule(rest, limits, work=0).makespan_s, str(line), line))
    if not choices:
        return []
    _, _, line = min(choices)
    rest_s = tries.length_s([run for run in runs if run.line != line], limits)
    return [f"pour {named(line)} alone: the rest takes {_up_s(rest_s)} s"]


def _smaller(runs: Sequence[Run], limits: Limits, tries: _Tries) -> list[str]:
    """The largest share of every run that fits, in steps of 5 %."""

    def fits(percent: float) -> bool:
        share = percent / 100
        return tries.fits([msgspec.structs.replace(run, duration_s=run.duration_s * share) for run in runs], limits)

    percent = _first([float(percent) for percent in range(95, 0, -5)], fits)
    return [] if percent is None else [f"pour {percent:.0f} % of it"]


def _up_s(time_s: float) -> str:
    """To a tenth of a second, never less than it is."""
    return f"{math.ceil(time_s * 10 - 1e-6) / 10:.1f}"
