"""What engine and guard say to each other: one JSON object a line, at most MAX_BYTES long.

A client begins with Hello; every other command before it is refused. One client at a time may be the engine; any
client may Stop.
"""

from typing import Annotated, Literal

from msgspec import Meta, field

from controller.errors import Refused
from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.labels import GlassSize, Label
from controller.model.plan import Operation, PlannedRun
from controller.model.scale import Doubt, Reading, ScaleSetting
from controller.model.states import Contents, MachineState, OperationKind, Outcome

VERSION = 1
MAX_BYTES = 64 * 1024
HEARTBEAT_S = 0.1  # how often the engine beats while an operation is under way
SILENCE_S = 0.5  # silence after which the guard switches everything off

Text = Annotated[str, Meta(max_length=500)]


class JournalHead(Value, frozen=True, kw_only=True):
    """The last entry of the guard's journal: its number, counted from 1, and its hash."""

    number: int
    hash: str


# --- commands: engine to guard


class Hung(Value, frozen=True, kw_only=True):
    """What hangs on a line, by the engine's stock."""

    line: int
    liquid: Text


class Hello(Value, frozen=True, kw_only=True, tag="hello"):
    """First message of a client.

    journal: the last entry that the engine has heard of, None when of none. stock: the containers that the guard is
    known to have on record.
    """

    version: int
    role: Literal["engine", "observer"]
    journal: JournalHead | None = None
    stock: tuple[Hung, ...] = ()


class Heartbeat(Value, frozen=True, kw_only=True, tag="heartbeat"):
    """The engine lives and still wants what is under way."""


class Start(Value, frozen=True, kw_only=True, tag="start"):
    """Ask for an operation; answered by Admitted or Refusal."""

    operation: Operation


class Confirm(Value, frozen=True, kw_only=True, tag="confirm"):
    """The hand step of the held operation is done: go on with its next segment."""

    operation: str


class Unhold(Value, frozen=True, kw_only=True, tag="unhold"):
    """Go on with a held operation; `runs` replace what is left of its present segment."""

    operation: str
    runs: tuple[PlannedRun, ...]


class Trim(Value, frozen=True, kw_only=True, tag="trim"):
    """Move the end of the run that this line is in, or will be in next, within the run's window; never answered.

    end_s counts from the operation's first start, as in Edge. One that is past switches off at once. Nothing heard: the
    planned end stands. One for an operation that is over or held is dropped.
    """

    operation: str
    line: int
    end_s: float


class ConfirmJug(Value, frozen=True, kw_only=True, tag="confirm_jug"):
    """A person has put an empty jug under the outlet; answered only by a Refusal.

    Good for volume_ml, until a glass is poured into, the vessel is lifted off the glass contact, or the guard restarts.
    """

    volume_ml: float


class Stop(Value, frozen=True, kw_only=True, tag="stop"):
    """Everything off, the operation ends as stopped. Accepted from anyone, always."""


class Acknowledge(Value, frozen=True, kw_only=True, tag="acknowledge"):
    """A person has seen to the cause of the latched fault."""

    cause: Text


class TakeCalibration(Value, frozen=True, kw_only=True, tag="take_calibration"):
    """An operator's new calibration; refused outside the profile's band."""

    calibration: Calibration


class Assign(Value, frozen=True, kw_only=True, tag="assign"):
    """An operator has hung a container with this liquid on this line."""

    line: int
    liquid: Text
    opened_ago_s: float = 0.0  # how long ago the container was opened


class RanDry(Value, frozen=True, kw_only=True, tag="ran_dry"):
    """An operator says that the container on this line is empty; tube_full: and that its tube holds no air."""

    line: int
    tube_full: bool = False


class TakeBook(Value, frozen=True, kw_only=True, tag="take_book"):
    """An operator has changed the book: read its file again, as at the start; answered by Report or Refusal.

    mark: of the book that the engine has read; another one is refused, so that both always work with the same.
    larger_glasses: those that a person has confirmed to be as large as the book has them now.
    """

    mark: int
    larger_glasses: tuple[Text, ...] = ()


class Judge(Value, frozen=True, kw_only=True, tag="judge"):
    """Ask which caps this operation would break by itself, on an empty glass; nothing begins. Answered by Judged."""

    operation: Operation


class TakeScale(Value, frozen=True, kw_only=True, tag="take_scale"):
    """An operator has zeroed or spanned the scale; answered by Report or Refusal."""

    setting: ScaleSetting


class AskReport(Value, frozen=True, kw_only=True, tag="ask_report"):
    """Ask for a Report."""


Command = (
    Hello
    | Heartbeat
    | Start
    | Confirm
    | Unhold
    | Trim
    | ConfirmJug
    | Stop
    | Acknowledge
    | TakeCalibration
    | Assign
    | RanDry
    | TakeBook
    | TakeScale
    | AskReport
    | Judge
)


# --- events: guard to engine


class LineReport(Value, frozen=True, kw_only=True):
    """What the guard believes of one line. Times are Unix seconds, as the guard's clocks make them at the latest."""

    line: int
    liquid: str | None  # assigned
    contents: Contents
    holds: str | None  # the liquid in the tube when contents is `liquid`
    is_on: bool
    calibration: Calibration | None = None
    opened_wall_s: float | None = None  # when the assigned container was opened
    filled_wall_s: float | None = None  # when liquid filled the tube
    wetted_wall_s: float | None = None  # when liquid first came in after the last cleaning
    cleaned_wall_s: float | None = None  # when the rinse after the last full cleaning was complete
    soaked_wall_s: float | None = None  # when cleaner filled the whole tube, until it is rinsed out
    residues: tuple[str, ...] = ()  # liquids that wetted the tube since it was last rinsed
    drawn: tuple[str, ...] = ()  # liquids that wetted the tube since it was last cleaned
    traces: tuple[str, ...] = ()  # allergens that touched the tube since it was last cleaned
    cares: tuple[str, ...] = ()  # kinds of care that books have said of what wetted it since then
    doubtful: bool = False  # what wetted the tube is not known; only cleaning helps
    labels: tuple[Label, ...] = ()  # of its container and of what it holds, where books before were stricter


class InputReport(Value, frozen=True, kw_only=True):
    """The debounced inputs, None where the profile has none.

    fresh_glass: whether the glass that stands there was set down after the last pour. others: whether each input that
    has no field here is active, by its name in the profile's table.
    """

    stop_pressed: bool
    glass_present: bool | None = None
    fresh_glass: bool | None = None
    tray_full: bool | None = None
    low_lines: tuple[int, ...] = ()
    others: dict[str, bool] = field(default_factory=dict)


class ScaleReport(Value, frozen=True, kw_only=True):
    """The scale as the guard has it; doubt: of the last reading, "silent" when it has not been heard for 0.5 s."""

    setting: ScaleSetting
    doubt: Doubt = "silent"
    load_g: float | None = None  # of the last reading


class Waiting(Value, frozen=True, kw_only=True):
    """What kind of thing a held operation waits for.

    Attributes:
        kind: the glass; an input that ends the hold by itself; a container that has run low or empty, on `line`; a
            look at the lines, when liquid is missing on the scale and nobody knows which line it is; a hand step
    """

    kind: Literal["glass", "input", "container", "look", "step"]
    line: int | None = None

    @property
    def is_for_a_person(self) -> bool:
        """Whether somebody says when it is done; glass and inputs are seen."""
        return self.kind not in ("glass", "input")


class Report(Value, frozen=True, kw_only=True, tag="report"):
    """The whole machine as the guard sees it; sent after Hello and on AskReport."""

    state: MachineState
    fault: str | None
    operation: str | None
    waiting_for: str | None  # what a held operation waits for, in words: an input's name, the text of a hand step, ...
    lines: tuple[LineReport, ...]
    inputs: InputReport
    book: int = 0  # the mark of the book in force
    glasses: tuple[GlassSize, ...] = ()  # in force: smaller than the book has them until a person confirms
    journal: JournalHead | None = None  # as it stands with this report
    latest: str | None = None  # the operation that was admitted last, whenever that was
    scale: ScaleReport | None = None  # None where the profile has no scale
    waiting: Waiting | None = None


class Admitted(Value, frozen=True, kw_only=True, tag="admitted"):
    """The operation is on disk and begins."""

    operation: str
    kind: OperationKind
    journal: JournalHead | None = None


class Refusal(Value, frozen=True, kw_only=True, tag="refusal"):
    """Refused by a rule. `request` is the operation's id or the command's tag."""

    request: str
    rule: str
    reason: str
    asked: str = ""
    allowed: str = ""
    remedy: str = ""

    @classmethod
    def of(cls, request: str, error: Refused) -> "Refusal":
        """The error as an answer to this request."""
        return cls(request=request, **error.__dict__)

    def error(self) -> Refused:
        """The same as an error."""
        return Refused(rule=self.rule, reason=self.reason, asked=self.asked, allowed=self.allowed, remedy=self.remedy)


class Judged(Value, frozen=True, kw_only=True, tag="judged"):
    """The answer to Judge: every cap that would be broken, none when it could be poured."""

    operation: str
    refusals: tuple[Refusal, ...] = ()


class Edge(Value, frozen=True, kw_only=True, tag="edge"):
    """A channel was switched; at_s counts from the operation's first start."""

    operation: str
    line: int
    is_on: bool
    at_s: float


class Changed(Value, frozen=True, kw_only=True, tag="changed"):
    """The machine state changed."""

    state: MachineState
    reason: str
    operation: str | None = None
    waiting_for: str | None = None
    waiting: Waiting | None = None


class Delivery(Value, frozen=True, kw_only=True):
    """What one line delivered in an operation, worked out by the guard from its edges; worst_ml is the upper bound."""

    line: int
    liquid: str
    asked_ml: float
    delivered_ml: float
    worst_ml: float
    on_s: float

    @property
    def is_at_most(self) -> bool:
        """Whether how far it came is not known: the guard crashed, or the container ran empty meanwhile."""
        return self.on_s > 0 and self.delivered_ml >= self.worst_ml


class Ended(Value, frozen=True, kw_only=True, tag="ended"):
    """The operation is over and on disk."""

    operation: str
    kind: OperationKind
    outcome: Outcome
    reason: str
    deliveries: tuple[Delivery, ...]
    cause: str = ""  # the reason as a word: a StopCause, or the cause of a fault
    journal: JournalHead | None = None


class LineChanged(Value, frozen=True, kw_only=True, tag="line_changed"):
    """A line's contents, assignment or calibration changed."""

    report: LineReport


class InputsChanged(Value, frozen=True, kw_only=True, tag="inputs_changed"):
    """A debounced input changed."""

    inputs: InputReport


class ButtonPressed(Value, frozen=True, kw_only=True, tag="button_pressed"):
    """Somebody at the machine has pressed a button, once for each press; it moves nothing by itself."""

    button: str  # "start"


class EdgesTimed(Value, frozen=True, kw_only=True, tag="edges_timed"):
    """How late the channels were switched since the last such event (s, to the microsecond); sent when all are off."""

    late_s: tuple[float, ...]


class Weighed(Value, frozen=True, kw_only=True, tag="weighed"):
    """Readings since the last such event, oldest first: at most 20 events a second under way, one a second at rest.

    silent: no reading for 0.5 s by now; said once.
    """

    readings: tuple[Reading, ...] = ()
    silent: bool = False


class FaultLatchedEvent(Value, frozen=True, kw_only=True, tag="fault"):
    """Pumps off, latched; a person must acknowledge `cause`."""

    cause: str
    text: str


Event = (
    Report
    | Admitted
    | Refusal
    | Judged
    | Edge
    | Changed
    | Ended
    | LineChanged
    | InputsChanged
    | ButtonPressed
    | EdgesTimed
    | Weighed
    | FaultLatchedEvent
)
