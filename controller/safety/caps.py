"""The caps: every one checked on a whole operation, from the guard's own figures. All violations are reported.

An operation is looked at as one timeline, its segments end to end: a wait for a person only ever adds rest.
"""

from collections.abc import Iterator

from controller.model.messages import Refusal
from controller.model.states import OperationKind
from controller.safety.case import Case, exceeds
from controller.safety.figures import tube_ml
from controller.safety.memory import HOUR_S
from controller.safety.sweeps import PUMP_CHECKS

# The guard and a planner may treat the few milliseconds of a pump's lag differently; a recipe that fills the glass
# exactly must not be refused for it. The upper bound is held against the brim besides.
GLASS_SLACK = 0.005


def _total_volume(case: Case) -> Iterator[Refusal]:
    cap_ml = case.figures.profile.caps.serving_volume_ml
    total_ml = sum(case.upper_ml.values())
    if exceeds(total_ml, cap_ml):
        yield case.refusal(
            "serving_volume",
            f"this serving may come to {total_ml:.1f} mL, the cap is {cap_ml:.1f} mL.",
            f"{total_ml:.1f} mL",
            f"{cap_ml:.1f} mL",
            f"Pour at most {cap_ml / total_ml:.2f} of it.",
        )


def _glass(case: Case) -> Iterator[Refusal]:
    name = case.asked.operation.glass
    glass = next((one for one in case.book.glasses if one.glass == name), None)
    if glass is None:
        known = ", ".join(one.glass for one in case.book.glasses)
        yield case.refusal("glass", f"the book has no glass {name!r}.", str(name), known, "Name one of these glasses.")
        return
    filled_ml = sum(case.figures.by_line_ml(case.asked.all_runs).values()) + case.asked.takes_ml
    worst_ml = sum(case.upper_ml.values()) + case.asked.takes_ml
    if exceeds(filled_ml, glass.usable_ml * (1 + GLASS_SLACK)) or exceeds(worst_ml, glass.brim_ml):
        yield case.refusal(
            "glass",
            f"{filled_ml:.1f} mL (at worst {worst_ml:.1f} mL), hand steps included, do not fit the {glass.glass}: "
            f"usable {glass.usable_ml:.1f} mL, brim {glass.brim_ml:.1f} mL.",
            f"{filled_ml:.1f} mL",
            f"{glass.usable_ml:.1f} mL",
            "Take a larger glass or pour less.",
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
    cap_g = case.figures.profile.caps.serving_ethanol_g
    if exceeds(case.ethanol_g, cap_g):
        yield case.refusal(
            "serving_ethanol",
            f"this serving may hold {case.ethanol_g:.1f} g of ethanol, the cap is {cap_g:.1f} g.",
            f"{case.ethanol_g:.1f} g",
            f"{cap_g:.1f} g",
            f"Pour at most {cap_g / case.ethanol_g:.2f} of it.",
        )


def _hour(case: Case) -> Iterator[Refusal]:
    caps, now_s = case.figures.profile.caps, case.asked.now_s
    recent = [one for one in case.history.servings if now_s - one.at_s < HOUR_S]
    total_g = sum(one.ethanol_g for one in recent) + case.ethanol_g
    later = "Pour less of it."
    if recent:
        wait_s = min(one.at_s + HOUR_S - now_s for one in recent)
        later = f"The oldest serving leaves the hour in {wait_s / 60:.0f} min."
    if case.ethanol_g > 0 and exceeds(total_g, caps.hour_ethanol_g):
        yield case.refusal(
            "hour_ethanol",
            f"with this serving the rolling hour may hold {total_g:.1f} g of ethanol, the cap is "
            f"{caps.hour_ethanol_g:.1f} g.",
            f"{total_g:.1f} g",
            f"{caps.hour_ethanol_g:.1f} g",
            later,
        )
    if len(recent) + 1 > caps.hour_servings:
        yield case.refusal(
            "hour_servings",
            f"this would be serving {len(recent) + 1} in the rolling hour, the cap is {caps.hour_servings}.",
            f"{len(recent) + 1}",
            f"{caps.hour_servings}",
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


SERVING_CHECKS = (_total_volume, _glass, _serving_ethanol, _hour, _pause)


def violations(case: Case) -> list[Refusal]:
    """All caps that the operation would exceed, the caps of single pumps and of every instant included."""
    kind = case.asked.operation.kind
    checks = [_time, *PUMP_CHECKS]
    if kind is OperationKind.SERVE:
        checks += SERVING_CHECKS
    elif kind is OperationKind.JOG:
        checks += [_jog]
    else:
        checks += [_line_volume]
    return [refusal for check in checks for refusal in check(case)]
