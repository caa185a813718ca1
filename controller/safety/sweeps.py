"""Caps of single pumps and of every instant: on-times, duty, starts, and what runs together."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from itertools import pairwise

from controller.model.messages import Refusal
from controller.model.plan import Interval
from controller.safety.case import Case, exceeds
from controller.safety.progress import ROUNDING_S


def _run_on(case: Case) -> Iterator[Refusal]:
    cap_s = case.figures.profile.caps.run_on_s
    for line, on_s in _stretches(case):
        if exceeds(on_s, cap_s):
            yield case.refusal(
                "run_on",
                f"line {line} would run for {on_s:.1f} s at a stretch, the cap is {cap_s:.1f} s.",
                f"{on_s:.1f} s",
                f"{cap_s:.1f} s",
                "Split the run or pour less.",
            )


def _stretches(case: Case) -> Iterator[tuple[int, float]]:
    """How long each line stays on at a stretch; runs between which its relay has no time to open are one."""
    relays = case.figures.profile.relay_board
    spans: dict[int, Interval] = {}
    for run in sorted(case.asked.runs, key=lambda run: run.start_s):
        before = spans.get(run.line, run)
        if run.start_s < before.end_s + relays.release_s + relays.operate_s:
            spans[run.line] = Interval(line=run.line, start_s=before.start_s, end_s=run.end_s)
        else:
            yield before.line, before.on_s
            spans[run.line] = run
    for last in spans.values():
        yield last.line, last.on_s


def _operation_on(case: Case) -> Iterator[Refusal]:
    cap_s = case.figures.profile.caps.operation_on_s
    totals: dict[int, float] = defaultdict(float)
    for run in case.asked.all_runs:
        totals[run.line] += run.on_s
    for line, total_s in totals.items():
        if exceeds(total_s, cap_s):
            yield case.refusal(
                "operation_on",
                f"line {line} would be on for {total_s:.1f} s in this operation, the cap is {cap_s:.1f} s.",
                f"{total_s:.1f} s",
                f"{cap_s:.1f} s",
                "Pour less of it, or in two operations.",
            )


def _duty(case: Case) -> Iterator[Refusal]:
    caps = case.figures.profile.caps
    allowed_s = caps.duty_fraction * caps.duty_window_s
    now_s = case.asked.now_s
    for line in sorted({run.line for run in case.asked.runs}):
        past = [(one.start_s - now_s, one.end_s - now_s) for one in case.history.on_times if one.line == line]
        own = [(run.start_s, run.end_s) for run in case.asked.all_runs if run.line == line]
        # On-time within a sliding window is largest where the window ends together with a run.
        ends = [end_s for _, end_s in own if end_s > 0]
        busy_s = max((_within(past + own, end_s - caps.duty_window_s, end_s) for end_s in ends), default=0.0)
        if exceeds(busy_s, allowed_s):
            yield case.refusal(
                "duty",
                f"pump {line} would run {busy_s:.0f} s within {caps.duty_window_s:.0f} s, the cap is {allowed_s:.0f} s "
                f"({caps.duty_fraction:.0%}).",
                f"{busy_s:.0f} s",
                f"{allowed_s:.0f} s",
                f"Let the pump rest for about {busy_s - allowed_s:.0f} s or more.",
            )


def _within(spans: list[tuple[float, float]], low_s: float, high_s: float) -> float:
    return sum(max(0.0, min(end_s, high_s) - max(start_s, low_s)) for start_s, end_s in spans)


def _start_gap(case: Case) -> Iterator[Refusal]:
    cap_s = case.figures.profile.caps.start_gap_s
    starts = sorted((run.start_s, run.line) for run in case.asked.runs)
    for (first_s, first), (second_s, second) in pairwise(starts):
        gap_s = second_s - first_s
        if gap_s < cap_s - ROUNDING_S:
            yield case.refusal(
                "start_gap",
                f"lines {first} and {second} start {gap_s * 1000:.0f} ms apart, the cap is {cap_s * 1000:.0f} ms.",
                f"{gap_s * 1000:.0f} ms",
                f"{cap_s * 1000:.0f} ms",
                "Start one of them later.",
            )
            return


def _highest(case: Case, weight: Callable[[Interval, float], float], instants: list[float]) -> tuple[float, float]:
    """The largest sum of weights over all instants, and when; a run counts from its start until just before its end."""
    best = (0.0, 0.0)
    for at_s in instants:
        total = sum(weight(run, at_s) for run in case.asked.runs if run.start_s <= at_s < run.end_s - ROUNDING_S)
        best = max(best, (total, at_s))
    return best


def _overlap_s(case: Case) -> float:
    """How much longer a contact stays closed after switching off than it takes to close after switching on."""
    relays = case.figures.profile.relay_board
    return max(0.0, relays.release_s - relays.operate_s)


def _current(case: Case) -> Iterator[Refusal]:
    profile = case.figures.profile
    longer_s = _overlap_s(case)
    pumps = {run.line: profile.line(run.line).pump for run in case.asked.runs}
    runs = [Interval(line=r.line, start_s=r.start_s, end_s=r.end_s + longer_s) for r in case.asked.runs]

    def current_a(at_s: float) -> float:
        total_a = 0.0
        for run in runs:
            if run.start_s <= at_s < run.end_s - ROUNDING_S:
                pump = pumps[run.line]
                starting = at_s < run.start_s + pump.inrush_s
                total_a += max(pump.inrush_a, pump.run_a) if starting else pump.run_a
        return total_a

    # Current rises only where a run starts, so its highest value is found at one of the starts.
    highest_a, at_s = max(((current_a(run.start_s), run.start_s) for run in runs), default=(0.0, 0.0))
    cap_a = profile.caps.current_a
    if exceeds(highest_a, cap_a):
        yield case.refusal(
            "current",
            f"the pumps would draw {highest_a:.2f} A together at {at_s:.2f} s, inrush included; the cap is "
            f"{cap_a:.2f} A.",
            f"{highest_a:.2f} A",
            f"{cap_a:.2f} A",
            "Run fewer lines at once or stagger their starts.",
        )


def _flow(case: Case) -> Iterator[Refusal]:
    profile = case.figures.profile
    cap_ml_s = profile.caps.flow_ml_s

    def weight(run: Interval, _: float) -> float:
        return case.figures.band(run.line).most_ml_s

    highest_ml_s, at_s = _highest(case, weight, [run.start_s for run in case.asked.runs])
    if exceeds(highest_ml_s, cap_ml_s):
        yield case.refusal(
            "flow",
            f"up to {highest_ml_s:.2f} mL/s would enter the funnel at {at_s:.2f} s, the cap is {cap_ml_s:.2f} mL/s.",
            f"{highest_ml_s:.2f} mL/s",
            f"{cap_ml_s:.2f} mL/s",
            "Run fewer lines at once.",
        )


def _concurrent(case: Case) -> Iterator[Refusal]:
    cap = case.figures.profile.caps.concurrent
    highest, at_s = _highest(case, lambda run, at_s: 1.0, [run.start_s for run in case.asked.runs])
    if highest > cap:
        yield case.refusal(
            "concurrent",
            f"{highest:.0f} lines would be on at {at_s:.2f} s, the cap is {cap}.",
            f"{highest:.0f}",
            f"{cap}",
            "Run fewer lines at once.",
        )


PUMP_CHECKS = (_run_on, _operation_on, _duty, _start_gap, _current, _flow, _concurrent)
