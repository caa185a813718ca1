"""Whether the vessel under the outlet was taken away between two operations, and another one set down."""

from controller.safety.machine import StateMachine
from controller.safety.records import GlassRecord
from controller.safety.standing import matching

LIFT_S = 1.0  # a glass that is pushed leaves its contact for less; common practice, no source
SAME_G = 5.0  # what comes back and differs by less is the same glass with the same drink; common practice, no source
POURED_ML = 25.0  # after less another glass may weigh, empty, what the full one did; common practice, no source


class Lift:
    """A vessel that is gone for LIFT_S between operations was taken away, not pushed: said once.

    On a scale what is set down then must not weigh what was there before: a loose cable shows no load for a while too,
    and a full glass may be put back.
    """

    def __init__(self) -> None:
        self._absent_s: float | None = None  # since when there is no glass
        self._is_lifted = False  # whether that has been for long enough
        self._left_g: float | None = None  # what then weighed so much may come back; None where nobody can tell
        self._has_poured = False  # since then, into whatever will stand there

    def note(self, machine: StateMachine, *, is_absent: bool | None) -> None:
        """What is seen now; None while nothing can see a glass: that is no lift."""
        if machine.progress is not None:
            self._has_poured = True
        if is_absent is None:
            self._absent_s = None
        elif not is_absent:
            if self._is_lifted and not self._settle(machine):
                return
            self._absent_s, self._is_lifted = None, False
        elif self._absent_s is None:
            self._absent_s = machine.now_s
        elif machine.progress is None and not self._is_lifted and machine.now_s >= self._absent_s + LIFT_S:
            machine.jug_ml, machine.set_down_s = 0.0, None
            self._is_lifted, self._has_poured = True, False
            self._left_g = machine.weigher.standing.left_g if _is_comparable(machine) else None
            machine.is_fresh = machine.is_fresh or self._left_g is None

    def _settle(self, machine: StateMachine) -> bool:
        """Something stands there again: whether it is known by now if it is another one, which then counts as fresh."""
        if machine.progress is None and self._left_g is not None and machine.is_weighed:
            load_g = machine.weigher.standing.settled_g(machine.now_s)
            if load_g is None:
                return False
            if abs(load_g - self._left_g) < SAME_G and not any(matching(machine.book, load_g)):
                return True
        machine.is_fresh = machine.is_fresh or not self._has_poured
        machine.set_down_s = machine.now_s
        if machine.progress is None and not machine.memory.is_glass_fresh:
            machine.record(GlassRecord(set_down="contact"))
        return True


def _is_comparable(machine: StateMachine) -> bool:
    """Whether the glass that is gone held a drink that another one, empty, would not weigh."""
    memory = machine.memory
    return machine.is_weighed and not memory.is_glass_fresh and memory.vessel.in_glass.volume_ml >= POURED_ML
