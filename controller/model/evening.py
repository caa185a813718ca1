"""Requests and answers about stock, hygiene, guided sequences and the past: values of its interface."""

from typing import Annotated, Literal

from msgspec import Meta

from controller.model.fields import Value
from controller.model.states import Contents

Volume = Annotated[float, Meta(gt=0, le=50_000)]
Weight = Annotated[float, Meta(ge=0, le=100_000)]
Ago = Annotated[float, Meta(ge=0, le=3.2e8)]  # ten years
Person = Annotated[str, Meta(max_length=60)]
Remark = Annotated[str, Meta(max_length=200)]


# --- stock


class StockView(Value, frozen=True, kw_only=True):
    """The container on one line. Of remaining_ml, sure_ml is there with 95 % certainty.

    perhaps_more_ml: what may be left besides, where interrupted operations were booked at worst.
    """

    line: int
    liquid: str
    container_ml: float
    remaining_ml: float
    u_ml: float  # standard uncertainty of remaining_ml
    sure_ml: float
    perhaps_more_ml: float
    opened_wall_s: float
    keeps_until_wall_s: float | None  # by the liquid's opened life
    tare_g: float | None  # what it weighs when empty, as last said
    is_known_to_guard: bool


class RefillRequest(Value, frozen=True, kw_only=True):
    """A fresh container of the same liquid hangs on this line; of the same size unless one is given.

    tube_full: whether the tube was kept full of liquid; unless that is said, it counts as full while the books are
    sure that something was left. A tube that was not must be primed.
    """

    line: int
    container_ml: Volume | None = None
    opened_ago_s: Ago = 0.0
    tube_full: bool | None = None


class EmptyRequest(Value, frozen=True, kw_only=True):
    """The container on this line is empty; tube_full: but its tube holds no air."""

    line: int
    tube_full: bool = False


class StockWeighingRequest(Value, frozen=True, kw_only=True):
    """The container on this line weighs so much; tare_g, what it weighs empty, is kept for the next time."""

    line: int
    grams: Weight
    tare_g: Weight | None = None
    u_grams: Annotated[float, Meta(gt=0, le=100)] = 1.0  # standard uncertainty of one weighing


class StockChange(Value, frozen=True, kw_only=True):
    """A container after somebody looked, and what the books had said before."""

    now: StockView
    booked_ml: float


# --- hygiene


class HygieneLine(Value, frozen=True, kw_only=True):
    """What one line holds since when, and what it is due for. Times are Unix seconds."""

    line: int
    liquid: str | None  # that hangs there
    contents: Contents
    holds: str | None
    since_wall_s: float | None  # what it holds, as far as that is known
    cleaned_wall_s: float | None
    clean_by_wall_s: float | None  # None for a line that was not wet since its last cleaning
    keeps_until_wall_s: float | None  # what it holds, by the liquid's opened life
    overdue: tuple[str, ...]  # why it may not serve any more, a sentence each
    next_step: str


class RecordRow(Value, frozen=True, kw_only=True):
    """One entry of a line's record."""

    wall_s: float
    line: int
    event: str
    text: str
    volume_ml: float | None = None
    outcome: str = ""
    person: str = ""


class HygieneRecord(Value, frozen=True, kw_only=True):
    """What happened to the lines between two moments, oldest first, and how they stand now."""

    machine: str
    book: str
    since_wall_s: float
    until_wall_s: float
    written_wall_s: float
    contact_s: float  # how long a cleaner has to stand
    rinse_line_volumes: int
    lines: tuple[HygieneLine, ...]
    rows: tuple[RecordRow, ...]


# --- guided sequences


class ChangeRequest(Value, frozen=True, kw_only=True):
    """Guide a change of liquid on a line; without a liquid, continue the one that is under way there."""

    line: int
    liquid: str | None = None
    container_ml: Volume | None = None
    opened_ago_s: Ago = 0.0


class CloseRequest(Value, frozen=True, kw_only=True):
    """Guide closing for the night; one that is under way goes on. jug_ml: what the jug takes."""

    jug_ml: Volume | None = None
    dry: bool = False  # empty the lines after the last rinse
    person: Person = ""
    cleaner: Remark = ""  # which, how strong, how warm: for the record


class StepView(Value, frozen=True, kw_only=True):
    """The next step of a guided sequence: what a person does first (`asks`), then what the machine does."""

    kind: Literal["purge", "clean", "wait", "rinse", "prime"]
    lines: tuple[int, ...]
    asks: tuple[str, ...]
    volume_ml: float  # into the jug
    seconds: float  # of pumping, or of waiting


class SequenceView(Value, frozen=True, kw_only=True):
    """A guided sequence: its next step, None when all is done; lines that are through, of all."""

    kind: Literal["change", "close"]
    line: int | None
    liquid: str | None
    container_ml: float | None  # of the liquid that is to hang there
    begun_wall_s: float
    step: StepView | None
    done_lines: tuple[int, ...]
    lines: tuple[int, ...]


# --- the past


class Usage(Value, frozen=True, kw_only=True):
    """One liquid in one evening: doses of servings that ended as done, with what was asked and poured.

    other_ml: what else was drawn, to prime, for trials and by servings that ended early.
    """

    evening: str  # "2026-09-12", local time; until six in the morning the evening before counts
    liquid: str
    doses: int
    asked_ml: float
    poured_ml: float
    other_ml: float


class RuleCount(Value, frozen=True, kw_only=True):
    """How often a rule has refused."""

    rule: str
    refusals: int
