"""What a rehearsed event came to. Times in s after the event's start (before it: negative), volumes in mL."""

from controller.catering.preparation import Preparation
from controller.metering.dose import mi008_ml
from controller.model.calibration import Calibration
from controller.model.evening import HygieneRecord
from controller.model.event import seconds_of_day
from controller.model.fields import Value
from controller.model.weighing import WeighedServing


class PouredDose(Value, frozen=True, kw_only=True):
    """One liquid of one drink: asked for, and what the bench says is in the glass."""

    liquid: str
    asked_ml: float
    glass_ml: float

    @property
    def error_ml(self) -> float:
        """In the glass less asked for."""
        return self.glass_ml - self.asked_ml

    @property
    def is_inside(self) -> bool:
        """Within the serving-measure tolerance (Directive 2014/32/EU, MI-008)."""
        return abs(self.error_ml) <= mi008_ml(self.asked_ml)


class Served(Value, frozen=True, kw_only=True):
    """One drink that a guest took away."""

    recipe: str
    came_s: float
    turn_s: float  # the guest steps up
    said_s: float | None  # the wait that was said when it was ordered; None when that hung on a person
    ended_s: float  # the last pump is off, the last hand step done
    left_s: float  # the glass is off
    refused: int  # refusals before it was poured
    made_again: int  # glasses poured away before, with a dose visibly off
    doses: tuple[PouredDose, ...]
    weighed: WeighedServing | None = None  # by the machine's scale, where it could be

    @property
    def waited_s(self) -> float:
        """In the queue."""
        return self.turn_s - self.came_s


class UnservedDrink(Value, frozen=True, kw_only=True):
    """A drink that was asked for and could not be served."""

    recipe: str
    came_s: float
    turn_s: float
    gave_up_s: float
    reason: str


class RefusedDrink(Value, frozen=True, kw_only=True):
    """The engine or the guard said no."""

    at_s: float
    recipe: str
    rule: str
    reason: str


class ContainerChange(Value, frozen=True, kw_only=True):
    """A fresh container was hung. left_ml: what stayed in the old one, by the bench."""

    at_s: float
    line: int
    liquid: str
    left_ml: float
    container_ml: float
    why: str


class Trouble(Value, frozen=True, kw_only=True):
    """A fault of the bench, or one that the guard latched; repaired_s is None when nobody noticed it."""

    at_s: float
    what: str
    noticed_s: float | None
    repaired_s: float | None
    how: str


class LineSum(Value, frozen=True, kw_only=True):
    """One line over the event, with its twins in all volumes.

    What left the containers is in glasses, in the jug, or poured away.
    """

    line: int
    liquid: str
    calibration: Calibration
    bought: tuple[float, ...]  # containers
    used: int  # of them
    asked_ml: float  # in drinks that were taken away
    glasses_ml: float  # the same, by the bench
    other_ml: float  # primed, poured away, spilt
    left_ml: float  # in hung and unopened containers, before cleaning
    empties_ml: float  # left in containers that were taken off
    booked_ml: float  # what the ledger believes is left in what hangs
    twins: tuple[int, ...] = ()  # further lines with the liquid


class Evening(Value, frozen=True, kw_only=True):
    """The whole record."""

    seed: int
    opens: str  # time of day
    lasts_s: float
    orders: int
    prepared: Preparation  # what was planned and bought
    served: tuple[Served, ...]
    lost: tuple[UnservedDrink, ...]
    refusals: tuple[RefusedDrink, ...]
    changes: tuple[ContainerChange, ...]
    troubles: tuple[Trouble, ...]
    lines: tuple[LineSum, ...]
    day_before_s: float  # priming, calibrating, cleaning
    cleaning_s: float  # purge, clean, rinse, after the event
    hygiene: HygieneRecord  # of the event's day, as the engine keeps it
    last_s: float  # the last glass is off

    def clock(self, at_s: float) -> str:
        """The time of day at at_s, as "16:30"."""
        minutes = int((seconds_of_day(self.opens) + at_s) // 60) % 1440
        return f"{minutes // 60:02d}:{minutes % 60:02d}"

    @property
    def queue(self) -> tuple[tuple[float, int], ...]:
        """The length of the queue as (s, how many) steps, from the start on."""
        turns = [(one.came_s, one.turn_s) for one in self.served] + [(one.came_s, one.turn_s) for one in self.lost]
        who_wait = [(came_s, turn_s) for came_s, turn_s in turns if turn_s > came_s]
        moves = sorted([(came_s, 1) for came_s, _ in who_wait] + [(turn_s, -1) for _, turn_s in who_wait])
        steps, length = [(0.0, 0)], 0
        for at_s, change in moves:
            length += change
            steps.append((at_s, length))
        return tuple(steps)

    @property
    def waits_s(self) -> list[float]:
        """How long each guest waited; one wait of 0 when nobody was served."""
        return [one.waited_s for one in self.served] or [0.0]

    @property
    def said_off_s(self) -> tuple[float, ...]:
        """By how much each guest waited longer than was said at the order, until the turn."""
        return tuple(one.waited_s - one.said_s for one in self.served if one.said_s is not None)

    @property
    def off_s(self) -> list[float]:
        """How far off that was, whichever way; 0 when nobody was told."""
        return [abs(one) for one in self.said_off_s] or [0.0]

    @property
    def doses(self) -> tuple[PouredDose, ...]:
        """All doses of drinks that were taken away."""
        return tuple(dose for one in self.served for dose in one.doses)
