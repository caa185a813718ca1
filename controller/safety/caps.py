"""The caps: every one checked on a whole operation, from the guard's own figures. All violations are reported.

An operation is looked at as one timeline, its segments end to end: a wait for a person only ever adds rest.
"""

from collections.abc import Iterator

from controller.model.messages import Refusal
from controller.model.states import OperationKind
from controller.safety.case import Case, exceeds
from controller.safety.figures import tube_ml
from controller.safety.memory import HOUR_S
from controller.safety.records import Serving
from controller.safety.sweeps import PUMP_CHECKS
from controller.safety.vessel import counts

# The guard and a planner may treat the few milliseconds of a pump's lag differently; a recipe that fills the glass
# exactly must not be refused for it. The upper bound is held against the brim besides.
GLASS_SLACK = 0.005


def _total_volume(case: Case) -> Iterator[Refusal]:
    cap_ml, there_ml = case.figures.profile.caps.serving_volume_ml, case.history.in_glass.volume_ml
    own_ml = case.poured.volume_ml
    if exceeds(there_ml + own_ml, cap_ml):
        there = f" with {there_ml:.1f} mL that may be there already" if there_ml > 0 else ""
        yield case.refusal(
            "serving_volume",
            f"the glass may come to {there_ml + own_ml:.1f} mL{there}, by what its pumps move at the most; the cap is "
            f"{cap_ml:.1f} mL.",
            f"{there_ml + own_ml:.1f} mL",
            f"{cap_ml:.1f} mL",
            _less(cap_ml - there_ml, own_ml),
        )


def _less(left: float, asked: float) -> str:
    if left <= 0:
        return "Take the glass away, or confirm a jug."
    return f"Pour at most {left / asked:.2f} of it."


def _glass(case: Case) -> Iterator[Refusal]:
    name = case.asked.operation.glass
    glass = next((one for one in case.book.glasses if one.glass == name), None)
    if glass is None:
        known = ", ".join(one.glass for one in case.book.glasses)
        yield case.refusal("glass", f"the book has no glass {name!r}.", str(name), known, "Name one of these glasses.")
        return
    there_ml = case.history.in_glass.volume_ml + case.history.taken_ml + case.asked.takes_ml
    filled_ml = there_ml + sum(case.figures.by_line_ml(case.asked.all_planned).values())
    worst_ml = there_ml + case.poured.volume_ml
    brim_ml = min(glass.brim_ml, case.history.brim_ml)
    if exceeds(filled_ml, glass.usable_ml * (1 + GLASS_SLACK)) or exceeds(worst_ml, brim_ml):
        smaller = "" if brim_ml == glass.brim_ml else " (by its weight it may be a smaller one)"
        yield case.refusal(
            "glass",
            f"{filled_ml:.1f} mL (at worst {worst_ml:.1f} mL), hand steps included, do not fit the {glass.glass}: "
            f"usable {glass.usable_ml:.1f} mL, brim {brim_ml:.1f} mL{smaller}.",
            f"{filled_ml:.1f} mL",
            f"{glass.usable_ml:.1f} mL",
            "Take a larger glass or pour less.",
        )


def _any_glass(case: Case) -> Iterator[Refusal]:
    """Nobody has said which glass stands there: it may be the smallest."""
    glass = min(case.book.glasses, key=lambda one: one.brim_ml, default=None)
    worst_ml = case.history.in_glass.volume_ml + case.poured.volume_ml
    if glass is not None and exceeds(worst_ml, glass.brim_ml):
        yield case.refusal(
            "glass",
            f"without a jug it counts as poured into a glass, which may then hold {worst_ml:.1f} mL; the {glass.glass} "
            f"takes {glass.brim_ml:.1f} mL to the brim.",
            f"{worst_ml:.1f} mL",
            f"{glass.brim_ml:.1f} mL",
            "Put a jug under the outlet and confirm it.",
        )


def _jug(case: Case) -> Iterator[Refusal]:
    room_ml, own_ml = case.history.jug_ml, case.poured.volume_ml
    if exceeds(own_ml, room_ml):
        what = f"the confirmed jug has room for {room_ml:.1f} mL" if room_ml > 0 else "no jug is confirmed"
        yield case.refusal(
            "jug",
            f"{what}, this {case.asked.operation.kind} may bring {own_ml:.1f} mL.",
            f"{own_ml:.1f} mL",
            f"{room_ml:.1f} mL",
            "Put an empty jug under the outlet and confirm it.",
        )


def _time(case: Case) -> Iterator[Refusal]:
    """From the begin, not from the first start: nobody waits for hours beside pumps that stand still."""
    kind, caps = case.asked.operation.kind, case.figures.profile.caps
    is_serving = kind is OperationKind.SERVE
    cap_s = caps.serving_time_s if is_serving else caps.operation_time_s
    total_s = case.asked.spent_s + max((run.end_s for run in case.asked.runs), default=0.0)
    if exceeds(total_s, cap_s):
        what, parts = ("serving", "servings") if is_serving else (kind, "operations")
        yield case.refusal(
            "serving_time" if is_serving else "operation_time",
            f"this {what} keeps the pumps busy for {total_s:.1f} s, the cap is {cap_s:.1f} s.",
            f"{total_s:.1f} s",
            f"{cap_s:.1f} s",
            f"Pour less of it, or in two {parts}.",
        )


def _serving_ethanol(case: Case) -> Iterator[Refusal]:
    cap_g, there_g = case.figures.profile.caps.serving_ethanol_g, case.history.in_glass.ethanol_g
    own_g = case.poured.ethanol_g
    if own_g > 0 and exceeds(there_g + own_g, cap_g):
        there = f" with {there_g:.1f} g that may be there already" if there_g > 0 else ""
        yield case.refusal(
            "serving_ethanol",
            f"the glass may hold {there_g + own_g:.1f} g of ethanol{there}, the cap is {cap_g:.1f} g.",
            f"{there_g + own_g:.1f} g",
            f"{cap_g:.1f} g",
            _less(cap_g - there_g, own_g),
        )


def _recent(case: Case) -> tuple[list[Serving], str]:
    """The rolling hour, and when the oldest of it leaves."""
    now_s = case.asked.now_s
    recent = [one for one in case.history.servings if now_s - one.at_s < HOUR_S]
    if not recent:
        return recent, "Pour less of it."
    wait_s = min(one.at_s + HOUR_S - now_s for one in recent)
    return recent, f"The oldest serving leaves the hour in {wait_s / 60:.0f} min."


def _hour_ethanol(case: Case) -> Iterator[Refusal]:
    cap_g, (recent, later) = case.figures.profile.caps.hour_ethanol_g, _recent(case)
    total_g = sum(one.ethanol_g for one in recent) + case.poured.ethanol_g
    if case.poured.ethanol_g > 0 and exceeds(total_g, cap_g):
        yield case.refusal(
            "hour_ethanol",
            f"with this the rolling hour may hold {total_g:.1f} g of ethanol, the cap is {cap_g:.1f} g.",
            f"{total_g:.1f} g",
            f"{cap_g:.1f} g",
            later,
        )


def _hour_servings(case: Case) -> Iterator[Refusal]:
    cap, (recent, later) = case.figures.profile.caps.hour_servings, _recent(case)
    number = sum(one.is_serving for one in recent) + 1
    if number > cap:
        yield case.refusal(
            "hour_servings",
            f"this would be serving {number} in the rolling hour, the cap is {cap}.",
            f"{number}",
            f"{cap}",
            later,
        )


def _pause(case: Case) -> Iterator[Refusal]:
    cap_s, last_s = case.figures.profile.caps.serving_pause_s, case.history.last_serving_s
    if last_s is None:
        return
    pause_s = case.asked.now_s - last_s
    if exceeds(cap_s, pause_s):
        yield case.refusal(
            "serving_pause",
            f"the last serving, or a fault after it, ended {pause_s:.1f} s ago; the pause between servings is "
            f"{cap_s:.1f} s.",
            f"{pause_s:.1f} s",
            f"{cap_s:.1f} s",
            f"Wait {cap_s - pause_s:.1f} s.",
        )


def _line_volume(case: Case) -> Iterator[Refusal]:
    cap_ml = case.figures.profile.caps.line_volume_ml
    for line, volume_ml in case.upper_ml.items():
        if exceeds(volume_ml, cap_ml):
            yield case.refusal(
                "line_volume",
                f"line {line} may move {volume_ml:.1f} mL, the cap is {cap_ml:.1f} mL for one "
                f"{case.asked.operation.kind}; its tube holds {tube_ml(case.figures.profile.line(line)):.1f} mL.",
                f"{volume_ml:.1f} mL",
                f"{cap_ml:.1f} mL",
                "Do it in several operations.",
            )


def _jog(case: Case) -> Iterator[Refusal]:
    cap_s = case.figures.profile.caps.jog_s
    total_s = sum(run.on_s for run in case.asked.all_runs)
    if exceeds(total_s, cap_s) or len(case.asked.runs) > 1:
        yield case.refusal(
            "jog",
            f"a jog is one run of one line of at most {cap_s:.2f} s; asked are {len(case.asked.runs)} runs, together "
            f"{total_s:.2f} s.",
            f"{total_s:.2f} s",
            f"{cap_s:.2f} s",
            "Jog one line at a time, for less time.",
        )


GLASS_CHECKS = (_total_volume, _serving_ethanol, _hour_ethanol)  # of whatever is not poured into a confirmed jug
SERVING_CHECKS = (*GLASS_CHECKS, _glass, _hour_servings, _pause)


def violations(case: Case) -> list[Refusal]:
    """All caps that the operation would exceed, the caps of single pumps and of every instant included."""
    kind = case.asked.operation.kind
    checks = [_time, *PUMP_CHECKS]
    if kind is OperationKind.SERVE:
        checks += SERVING_CHECKS
    else:
        checks += [_jog] if kind is OperationKind.JOG else [_line_volume]
        checks += [*GLASS_CHECKS, _any_glass] if counts(case.asked.operation) else [_jug]
    return [refusal for check in checks for refusal in check(case)]
