"""A situation of the small machine, and operations to ask for in it."""

from typing import Any

from msgspec import to_builtins
from msgspec.structs import replace

from controller.model.calibration import Calibration
from controller.model.messages import InputReport, Refusal
from controller.model.plan import Operation
from controller.model.profile import Profile
from controller.model.states import Contents
from controller.safety.admission import Situation, start
from controller.safety.records import LineState, Memory
from tests.guard.guard_parts import BOOK, CAPS, exact, profile

NOW_S, WALL_S = 50_000.0, 1_789_000_000.0


def filled(**changes: Any) -> tuple[LineState, ...]:
    """All four lines filled with their liquids; `changes` go to line 1."""
    states = [
        LineState(line=on.line, assigned=on.liquid, contents=Contents.LIQUID, holds=on.liquid, residues=(on.liquid,))
        for on in BOOK.lines
    ]
    return (replace(states[0], **changes), *states[1:])


def calibration(line: int, liquid: str, **figures: float) -> Calibration:
    """2 mL/s without lag or doubt, unless told otherwise."""
    given: dict[str, Any] = {
        "flow_ml_s": 2.0,
        "lag_s": 0.0,
        "u_flow_ml_s": 0.0,
        "u_lag_s": 0.0,
        "cov_flow_lag": 0.0,
        **figures,
    }
    return Calibration(line=line, liquid=liquid, **given)


EXACT = tuple(calibration(on.line, on.liquid) for on in BOOK.lines)


def situation(
    machine: Profile | None = None,
    *,
    inputs: InputReport | None = None,
    lines: tuple[LineState, ...] | None = None,
    calibrations: tuple[Calibration, ...] = EXACT,
    **memory: Any,
) -> Situation:
    """The machine at rest, every line filled, a jug of 2 L confirmed; the credited clock shows NOW_S.

    Every line is calibrated at 2 mL/s and moves exactly that. Without calibrations its pumps are as bought.
    """
    machine = machine or profile()
    return Situation(
        profile=exact(machine) if calibrations else machine,
        book=BOOK,
        memory=Memory(
            mono_s=0.0,
            credited_s=NOW_S,
            lines=lines or filled(),
            calibrations=calibrations,
            caps=to_builtins(CAPS),
            **memory,
        ),
        inputs=inputs or InputReport(stop_pressed=False),
        jug_ml=2000.0,
        now_s=0.0,
        wall_s=WALL_S,
    )


def refusals(operation: Operation, now: Situation | None = None) -> dict[str, Refusal]:
    """The refusals by rule; a rule that speaks twice is an error in the test."""
    found = start(operation, now or situation())
    assert len({one.rule for one in found}) == len(found), found
    return {one.rule: one for one in found}
