"""What stands in the ledger, as values."""

import time
from typing import Literal

from msgspec import field

from controller.model.fields import Value
from controller.model.messages import Delivery, Refusal
from controller.model.states import OperationKind
from controller.model.weighing import WeighedDose, WeighedServing

REFUSED = "refused"  # outcome of an operation that never began
MORNING_S = 6 * 3600.0  # what is poured before six in the morning belongs to the evening before


def evening_of(wall_s: float) -> str:
    """The evening ("2026-09-12", local time) that this moment (Unix s) belongs to."""
    return time.strftime("%Y-%m-%d", time.localtime(wall_s - MORNING_S))


class Intent(Value, frozen=True, kw_only=True):
    """What is put on record before the guard is asked."""

    operation: str
    kind: OperationKind
    asked_wall_s: float
    recipe: str | None = None
    times: float = 1.0
    key: str | None = None
    rest_of: str | None = None  # the operation of which this one pours what was still owed
    request: str = ""  # what was asked for besides the recipe, as JSON, of a serving
    changes: tuple[str, ...] = ()  # what of the recipe was left out, replaced or rounded, a sentence each


class Entry(Intent, frozen=True, kw_only=True):
    """One operation on record; outcome is None while it is open, "refused" when it never began."""

    ended_wall_s: float | None
    outcome: str | None
    reason: str
    unweighed: str = ""  # why it was not weighed though there was a scale
    deliveries: tuple[Delivery, ...] = ()
    doses: dict[int, WeighedDose] = field(default_factory=dict)  # line -> what it brought by weight, if known
    refusals: tuple[Refusal, ...] = ()
    weighed: WeighedServing | None = None  # by the scale, where it could be


class Spread(Value, frozen=True, kw_only=True):
    """How far off one delivery may be (standard uncertainties, mL): alike in every run of the line, and by chance."""

    shared_ml: float
    random_ml: float


class Redrawn(Value, frozen=True, kw_only=True):
    """A weighed serving drew more_ml than was booked; how far off that was known to be before, and is now."""

    liquid: str
    more_ml: float
    before: Spread
    now: Spread


class Container(Value, frozen=True, kw_only=True):
    """A container on a line and what is left in it, with standard uncertainties.

    Doses of one calibration err alike, so u_shared_ml adds up; what scatters by chance adds up by its square. What was
    booked at worst after an interruption makes remaining_ml a lower bound: perhaps_more_ml may be left besides.
    """

    line: int
    liquid: str
    container_ml: float
    remaining_ml: float
    opened_wall_s: float
    hung_wall_s: float
    is_known: bool = True  # whether the guard knows of it
    u_fill_ml: float = 0.0  # of what was in it when it was hung or last weighed
    u_shared_ml: float = 0.0
    random_ml2: float = 0.0
    perhaps_more_ml: float = 0.0
    tare_g: float | None = None  # what it weighs when empty

    @property
    def u_ml(self) -> float:
        """Standard uncertainty of remaining_ml."""
        return float((self.u_fill_ml**2 + self.u_shared_ml**2 + self.random_ml2) ** 0.5)


class Correction(Value, frozen=True, kw_only=True):
    """An operation drew more_ml (less when negative) than was booked from the container on a line.

    surer_ml: by how much less it may be off now; random_ml2: how much more its square may be off at random.
    """

    line: int
    liquid: str
    asked_wall_s: float
    more_ml: float
    surer_ml: float
    random_ml2: float


class Weighing(Value, frozen=True, kw_only=True):
    """One weighed trial of a line; operation is None when it came from a file.

    grams: as read. The scale as it was then: u_grams of one reading, step of its display, mass per mass shown and how
    well that is known (relative). seq: its number on record; 0 before. is_struck: it does not count.
    """

    operation: str | None
    line: int
    on_s: float
    grams: float
    u_grams: float
    wall_s: float
    liquid: str
    purpose: Literal["calibration", "spot check"] = "calibration"
    step_g: float = 0.0
    factor: float = 1.0
    u_factor: float = 0.0
    seq: int = 0
    is_struck: bool = False


class JogAnswer(Value, frozen=True, kw_only=True):
    """What a person saw when one line was jogged."""

    operation: str
    line: int
    is_right: bool
    remark: str
    wall_s: float


NoteEvent = Literal["contents", "container", "stock", "cleaned", "care"]


class LineNote(Value, frozen=True, kw_only=True):
    """Something that happened to a line beside operations; `person` is who did it, where somebody said so."""

    wall_s: float
    line: int
    event: NoteEvent
    text: str
    person: str = ""


class OpenSequence(Value, frozen=True, kw_only=True):
    """A guided sequence that is under way; line 0 stands for the whole machine."""

    seq: int
    kind: Literal["change", "close", "calibrate"]
    line: int
    begun_wall_s: float
    body: str  # JSON
