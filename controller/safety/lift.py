"""Whether the vessel under the outlet was taken away between two operations, and another one set down."""

from controller.safety.machine import StateMachine
from controller.safety.records import GlassRecord

LIFT_S = 1.0  # a glass that is pushed leaves its contact for less; common practice, no source


class Lift:
    """A vessel that is gone for LIFT_S between operations was taken away, not pushed: said once."""

    def __init__(self) -> None:
        self._absent_s: float | None = None  # since when there is no glass
        self._is_lifted = False  # whether that has been for long enough

    def note(self, machine: StateMachine, *, is_absent: bool | None) -> None:
        """What is seen now; None while nothing can see a glass: that is no lift."""
        if is_absent is None:
            self._absent_s = None
            return
        if not is_absent:
            if self._is_lifted and machine.progress is None and not machine.memory.is_glass_fresh:
                machine.record(GlassRecord(set_down="contact"))
            if self._is_lifted:
                machine.set_down_s = machine.now_s
            self._absent_s, self._is_lifted = None, False
            return
        if self._absent_s is None:
            self._absent_s = machine.now_s
        if machine.progress is None and not self._is_lifted and machine.now_s >= self._absent_s + LIFT_S:
            machine.is_fresh, machine.jug_ml, self._is_lifted = True, 0.0, True
            machine.set_down_s = None
