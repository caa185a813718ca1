"""Which limit keeps a plan from being shorter or from being at all, and the smallest change that would help."""

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple, TypeVar

import msgspec

from controller.errors import Refused
from controller.sequencing.schedule_loads import Limits, Run, fits_current, fits_flow
from controller.sequencing.schedule_phases import Schedule, solve

LONGEST_RUN = "longest run"
NOTICEABLE_S = 1e-6
Choice = TypeVar("Choice")
# Work on one of the many plans tried for advice, in placements of a run. Less work may miss a plan that just fits;
# then the advice asks for a little more than is needed, and what it asks for still suffices.
WORK_ON_ADVICE = 20_000


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
    if limit.field == "concurrent":
        return limits.concurrent + len(runs)
    return 0.0


class Bottleneck(msgspec.Struct, frozen=True, kw_only=True):
    """The limit that lengthens a plan most, or LONGEST_RUN if none does, and the plan's length without it, s."""

    limit: str
    without_s: float


def bottleneck(batches: Sequence[Sequence[Run]], limits: Limits) -> Bottleneck:
    """What lengthens these plans, poured one after the other, most. Every run must fit alone."""
    found = Bottleneck(limit=LONGEST_RUN, without_s=_total_s(batches, limits))
    for limit in LIMITS:
        without = max((_idle(limit, runs, limits) for runs in batches), default=0.0)
        without_s = _total_s(batches, _with(limits, limit, without)) if batches else 0.0
        if without_s < found.without_s - NOTICEABLE_S:
            found = Bottleneck(limit=limit.name, without_s=without_s)
    return found


def explain_unfit(runs: Sequence[Run], limits: Limits) -> Refused | None:
    """Why some of these runs can never be, even alone; None when all can."""
    thirsty = [run for run in runs if not fits_current(run, limits)]
    gushing = [run for run in runs if not fits_flow(run, limits)]
    if thirsty:
        return _refuse_unfit("current", "draws", "A", {run.line: run.peak_a for run in thirsty}, limits.current_a)
    if gushing:
        return _refuse_unfit("flow", "pours", "mL/s", {run.line: run.flow_ml_s for run in gushing}, limits.flow_ml_s)
    return None


def _refuse_unfit(rule: str, does: str, unit: str, asked: dict[object, float], allowed: float) -> Refused:
    names = _named(list(asked))
    needed = math.ceil(max(asked.values()) * 1000 - 1e-6) / 1000
    each = ", ".join(f"{_named([line])} alone {does} {value:g} {unit}" for line, value in asked.items())
    return Refused(
        rule=rule,
        reason=f"{each}; allowed are {allowed:g} {unit} at any instant.",
        asked=f"{needed:g} {unit}",
        allowed=f"{allowed:g} {unit}",
        way_out=f"Allow {needed:g} {unit} instead of {allowed:g} {unit}, or leave out {names}.",
    )


def explain_slow(runs: Sequence[Run], limits: Limits, solved: Schedule) -> Refused:
    """Why this plan takes longer than total_s, and what would shorten it enough."""
    word = "plan" if solved.proven else "plan found"
    cause = bottleneck([runs], limits).limit
    ways = _changes(runs, limits) + _left_out(runs, limits) + _smaller(runs, limits)
    return Refused(
        rule="total_time",
        reason=(
            f"the shortest {word} takes {_up_s(solved.makespan_s)} s, allowed are {limits.total_s:g} s; "
            f"what keeps it from being shorter is: {cause}."
        ),
        asked=f"{_up_s(solved.makespan_s)} s",
        allowed=f"{limits.total_s:g} s",
        way_out=f"{ways[0][0].upper()}{', or '.join(ways)[1:]}." if ways else "",
    )


def explain(runs: Sequence[Run], limits: Limits) -> Refused | None:
    """Why no plan of these runs keeps to the limits, with the smallest change that would help; None when one does."""
    unfit = explain_unfit(runs, limits)
    if unfit:
        return unfit
    solved = solve(runs, limits)
    return explain_slow(runs, limits, solved) if solved.makespan_s > limits.total_s else None


def _total_s(batches: Sequence[Sequence[Run]], limits: Limits) -> float:
    return sum(solve(runs, limits).makespan_s for runs in batches)


def _with(limits: Limits, limit: _Limit, value: float) -> Limits:
    return msgspec.structs.replace(limits, **{limit.field: value})


def _fits(runs: Sequence[Run], limits: Limits) -> bool:
    return not runs or solve(runs, limits, WORK_ON_ADVICE).makespan_s <= limits.total_s


def _changes(runs: Sequence[Run], limits: Limits) -> list[str]:
    """For each limit by itself the smallest change that suffices, the smallest in proportion first."""
    found = []
    for limit in LIMITS:
        now, without = float(getattr(limits, limit.field)), _idle(limit, runs, limits)
        values = _values(now, without, limit.step)
        place = _first([_with(limits, limit, value) for value in values], lambda changed: _fits(runs, changed))
        if place is not None:
            text = f"allow {values[place]:g}{limit.unit} instead of {now:g}{limit.unit} ({limit.name})"
            found.append((abs(values[place] - now) / now, text))
    return [text for _, text in sorted(found)][:2]


def _values(now: float, without: float, step: float) -> list[float]:
    """From the next multiple of `step` after `now` to beyond `without`, on the way there."""
    sign = 1 if without > now else -1
    first = math.floor(now / step + 1e-9) + 1 if sign > 0 else math.ceil(now / step - 1e-9) - 1
    count = max(0, math.ceil(abs(without - first * step) / step - 1e-9) + 1)
    if sign * (without - now) <= 0:
        count = 0
    return [round(max(0.0, (first + sign * place) * step), 6) for place in range(count)]


def _first(choices: Sequence[Choice], suffices: Callable[[Choice], bool]) -> int | None:
    """The place of the first choice that suffices, if each later one does as well; None when the last does not."""
    if not choices or not suffices(choices[-1]):
        return None
    low, high = 0, len(choices) - 1
    while low < high:
        middle = (low + high) // 2
        if suffices(choices[middle]):
            high = middle
        else:
            low = middle + 1
    return high


def _left_out(runs: Sequence[Run], limits: Limits) -> list[str]:
    """The line to pour by itself that leaves most of the rest together."""
    choices = []
    for line in dict.fromkeys(run.line for run in runs):
        rest = [run for run in runs if run.line != line]
        own_s = sum(run.duration_s for run in runs if run.line == line)
        if rest and own_s <= limits.total_s and _fits(rest, limits):
            choices.append((-solve(rest, limits, WORK_ON_ADVICE).makespan_s, str(line), line))
    if not choices:
        return []
    rest_s, _, line = min(choices)
    return [f"pour {_named([line])} alone: the rest takes {_up_s(-rest_s)} s"]


def _smaller(runs: Sequence[Run], limits: Limits) -> list[str]:
    """The largest share of every run that fits, in steps of 5 %."""
    shares = [share / 100 for share in range(95, 0, -5)]
    smaller = [[msgspec.structs.replace(run, duration_s=run.duration_s * share) for run in runs] for share in shares]
    place = _first(smaller, lambda choice: _fits(choice, limits))
    return [] if place is None else [f"pour {100 * shares[place]:.0f} % of it"]


def _named(lines: Sequence[object]) -> str:
    return ", ".join(f"line {line}" if isinstance(line, int) else str(line) for line in lines)


def _up_s(time_s: float) -> str:
    """To a tenth of a second, never less than it is."""
    return f"{math.ceil(time_s * 10 - 1e-6) / 10:.1f}"
