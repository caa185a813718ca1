"""What the guard writes down, and the memory that follows from it.

Every record carries what it changes as a result, not as a rule: replaying an old journal gives the same memory even
after the rules, the book or the profile have changed. So no record holds a type of the profile: caps are plain figures
by name, and one that is added or removed leaves older journals as good as they were.
"""

from msgspec import structs

from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.labels import GlassSize, Label
from controller.model.messages import Ended
from controller.model.plan import Interval, Operation, PlannedRun
from controller.model.scale import ScaleSetting
from controller.model.states import Contents, OperationKind
from controller.safety.glass import GlassState, Source
from controller.safety.vessel import Vessel

CapFigure = float | str | bool | None


class Moment(Value, frozen=True, kw_only=True):
    """An instant on both clocks: what has passed since then is at least what either of them says."""

    credited_s: float
    wall_s: float

    def earlier(self, by_s: float) -> "Moment":
        """The instant by_s (s) before this one."""
        return Moment(credited_s=self.credited_s - by_s, wall_s=self.wall_s - by_s)

    def age_s(self, now: "Moment") -> float:
        """How long ago it was at `now` (s)."""
        return max(now.credited_s - self.credited_s, now.wall_s - self.wall_s)


class LineState(Value, frozen=True, kw_only=True, omit_defaults=True):
    """One line as the guard remembers it: the tube on this pin, whatever number the profile gives it."""

    line: int
    gpio: int | None = None  # None in journals of earlier versions
    assigned: str | None = None
    container: Label | None = None  # what the books have said of the assigned liquid since its container was hung
    contents: Contents = Contents.EMPTY
    holds: str | None = None  # the liquid in the tube when contents is `liquid`
    tube: Label | None = None  # what the books have said of it since it was drawn in
    moved_ml: float = 0.0  # least volume moved by `moved_by` since the contents last changed
    moved_by: OperationKind | None = None
    residues: tuple[str, ...] = ()  # liquids that wetted the tube since it was last rinsed
    drawn: tuple[str, ...] = ()  # liquids that wetted the tube since it was last cleaned
    traces: tuple[str, ...] = ()  # allergens that touched the tube since it was last cleaned
    cares: tuple[str, ...] = ()  # kinds of care that books have said of what wetted it since then
    doubtful: bool = False  # what wetted the tube is not known; only cleaning helps
    chemical: bool = False  # cleaner may still be in it
    opened: Moment | None = None  # when the assigned container was hung
    filled: Moment | None = None  # when liquid filled the tube
    wetted: Moment | None = None  # when liquid first came in after the last cleaning
    cleaned: Moment | None = None  # when the rinse after the last full cleaning was complete
    soaked_s: float | None = None  # when the cleaner filled the whole tube, credited clock


class Serving(Value, frozen=True, kw_only=True):
    """One serving in the rolling hour."""

    at_s: float  # credited clock
    ethanol_g: float
    is_serving: bool = True  # a trial or a jog into a glass counts its ethanol only


class Fault(Value, frozen=True, kw_only=True):
    """A latched fault."""

    cause: str
    text: str


class Started(Value, frozen=True, kw_only=True, tag="started"):
    """The guard started. `lines` are those that its memory did not know so before.

    renumbered: (number before, number now) of lines that have another number in the profile by now. removed: tubes on
    pins that the profile does not use any more.
    """

    boot: str  # the kernel's boot id: monotonic times compare within one boot only
    caps: dict[str, CapFigure]
    lines: tuple[LineState, ...] = ()
    renumbered: tuple[tuple[int, int], ...] = ()
    removed: tuple[LineState, ...] = ()


class CapChanged(Value, frozen=True, kw_only=True, tag="cap_changed"):
    """A cap differs from the one at the last start; None where there was, or is, none of this name."""

    cap: str
    old: CapFigure
    new: CapFigure


class FigureChanged(Value, frozen=True, kw_only=True):
    """One figure of a book that differs from the one read before."""

    of: str  # a liquid or a glass
    figure: str
    old: str
    new: str


class BookRead(Value, frozen=True, kw_only=True, tag="book_read"):
    """The guard works with another book from here on."""

    title: str
    changed: tuple[FigureChanged, ...] = ()
    labels: tuple[Label, ...] = ()  # of all its liquids, as the next book is held against them
    glasses: tuple[GlassSize, ...] = ()  # in force: smaller than the book has them until a person confirms
    lines: tuple[LineState, ...] = ()  # those of which the books now say something stricter


class AdmittedRecord(Value, frozen=True, kw_only=True, tag="admitted"):
    """An operation may begin; on disk before the first relay closes. The ethanol is booked at once."""

    operation: Operation
    ethanol_g: float
    volume_ml: float = 0.0  # the most that it may pour
    fresh: bool = False  # what stood under the outlet before is gone: lifted off its contact, or in a jug's place


class UnheldRecord(Value, frozen=True, kw_only=True, tag="unheld"):
    """A held operation may go on with these runs."""

    operation: str
    runs: tuple[PlannedRun, ...]
    ethanol_g: float  # of the whole operation, as booked from now on
    volume_ml: float = 0.0  # the same, by the upper bound


class RefusedRecord(Value, frozen=True, kw_only=True, tag="refused"):
    """A request that was refused, and by which rules."""

    request: str
    rules: tuple[str, ...]
    reason: str


class EndedRecord(Value, frozen=True, kw_only=True, tag="ended"):
    """An operation is over: what it delivered, how its channels were switched, what its lines hold now."""

    ended: Ended
    ethanol_g: float  # what is booked for it
    volume_ml: float = 0.0  # the same, by the upper bound
    began_s: float = 0.0  # first start, credited clock
    edges: tuple[tuple[int, bool, float], ...] = ()  # line, on, s after the first start
    lines: tuple[LineState, ...] = ()  # those that changed
    funnel_chemical: bool | None = None  # whether it left cleaner in the funnel; None when it changed nothing there
    takes_ml: float = 0.0  # by the hand steps that were done


class GlassRecord(Value, frozen=True, kw_only=True, tag="glass"):
    """Another glass was set down; by whose word."""

    set_down: Source


class LineRecord(Value, frozen=True, kw_only=True, tag="line"):
    """An operator changed a line."""

    state: LineState


class CalibrationRecord(Value, frozen=True, kw_only=True, tag="calibration"):
    """An operator's calibration was taken over."""

    calibration: Calibration


class LearnedRecord(Value, frozen=True, kw_only=True, tag="learned"):
    """What servings have taught of the calibration that a line has with a liquid.

    The engine has it on disk, and tells it again to a guard that has not: it is written with what comes next.
    """

    line: int
    liquid: str
    flow_ml_s: float
    lag_s: float
    u_flow_ml_s: float
    u_lag_s: float
    cov_flow_lag: float

    def of(self, taken: Calibration) -> Calibration:
        """The calibration with this in it; the same when it is another line's, or with another liquid."""
        if (taken.line, taken.liquid) != (self.line, self.liquid):
            return taken
        return structs.replace(taken, **structs.asdict(self))


class CalibrationDropped(Value, frozen=True, kw_only=True, tag="calibration_dropped"):
    """A calibration with a figure that no pump can have is not used any more."""

    line: int
    liquid: str
    reason: str


class ScaleRecord(Value, frozen=True, kw_only=True, tag="scale"):
    """An operator zeroed or spanned the scale."""

    setting: ScaleSetting


class FaultRecord(Value, frozen=True, kw_only=True, tag="fault"):
    """A fault was latched."""

    fault: Fault


class AcknowledgedRecord(Value, frozen=True, kw_only=True, tag="acknowledged"):
    """A person acknowledged the latched fault."""

    cause: str


class ClockRecord(Value, frozen=True, kw_only=True, tag="clock"):
    """The wall clock was set: its new offset from the monotonic clock holds from here."""

    stepped_s: float


class Note(Value, frozen=True, kw_only=True, tag="note"):
    """Something that happened to the guard itself, and changes nothing of what it remembers."""

    text: str


class Lost(Value, frozen=True, kw_only=True, tag="lost"):
    """Part of the journal is lost: nothing is certain any more about lines and the last hour.

    A fault that was latched gives way to the one that follows, which names it too.
    """

    damage: str
    lines: tuple[LineState, ...]
    servings: tuple[Serving, ...]
    funnel_chemical: bool = True


class Memory(Value, frozen=True, kw_only=True, tag="snapshot"):
    """All that must survive a restart. Also a record of its own (a snapshot), which keeps replay short.

    The credited clock counts seconds that have passed for certain: monotonic time within one boot, and across boots
    what the wall clock shows beyond the latest that it has ever shown. So neither setting it while the guard runs nor a
    boot with a clock that is behind ever shortens the rolling hour. (Setting it forward while the computer is off
    cannot be told from waiting.)
    """

    boot: str = ""
    mono_s: float = 0.0  # of the last record
    wall_s: float = 0.0
    credited_s: float = 0.0
    latest: Moment | None = None  # when the wall clock showed more than ever; None in journals of earlier versions
    lines: tuple[LineState, ...] = ()
    removed: tuple[LineState, ...] = ()  # tubes on pins that the profile does not use, should they come back
    labels: tuple[Label, ...] = ()  # what the book read last says of each liquid
    glasses: tuple[GlassSize, ...] = ()  # those in force, by name
    funnel_chemical: bool = False  # cleaner may be in the funnel, which all lines share
    calibrations: tuple[Calibration, ...] = ()
    servings: tuple[Serving, ...] = ()
    on_times: tuple[Interval, ...] = ()
    last_serving_s: float | None = None  # end of the last serving, credited clock
    glass: GlassState | None = None  # None until the first pour, and in memories of versions that did not follow it
    fault: Fault | None = None
    unfinished: AdmittedRecord | None = None
    resumed: tuple[UnheldRecord, ...] = ()  # how the unfinished operation went on after holds
    last_ended: Ended | None = None
    seen: tuple[str, ...] = ()  # ids of the latest operations, oldest first
    caps: dict[str, CapFigure] | None = None  # by name, as at the last start
    vessel: Vessel = Vessel()
    scale: ScaleSetting = ScaleSetting()

    @property
    def is_glass_fresh(self) -> bool:
        """Whether the glass that stands there, if any, was set down after the last pour."""
        return self.last_serving_s is None if self.glass is None else self.glass.set_down is not None

    def line(self, number: int) -> LineState:
        """The state of this line; KeyError when there is none."""
        for state in self.lines:
            if state.line == number:
                return state
        raise KeyError(number)


Record = (
    Memory | Started | CapChanged | BookRead | AdmittedRecord | UnheldRecord | RefusedRecord | EndedRecord | LineRecord
    | GlassRecord | CalibrationRecord | LearnedRecord | CalibrationDropped | FaultRecord | AcknowledgedRecord
    | ClockRecord | Note | Lost | ScaleRecord
)  # fmt: skip


class Stamped(Value, frozen=True, kw_only=True):
    """A record with the instant it was made at."""

    mono_s: float
    wall_s: float
    record: Record
