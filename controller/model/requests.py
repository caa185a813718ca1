"""What people ask of the engine: requests of its HTTP interface."""

from typing import Annotated, Literal

from msgspec import Meta

from controller.model.fields import LineNumber, Name, Value
from controller.model.states import OperationKind
from controller.model.views import Key, Swap, Times
from controller.model.weighing import UncertainGrams

Moment = Annotated[float, Meta(ge=0, le=1e11)]  # Unix seconds


class PlanQuery(Value, frozen=True, kw_only=True):
    """Which drink to plan."""

    recipe: str
    times: Times = 1.0


class PastQuery(Value, frozen=True, kw_only=True):
    """Which part of the past: from since to before until (Unix seconds)."""

    since_wall_s: Moment | None = None
    until_wall_s: Moment | None = None


class UsageQuery(PastQuery, frozen=True, kw_only=True):
    """Which part of the past, and of what."""

    liquid: str | None = None
    recipe: str | None = None
    line: LineNumber | None = None


class HistoryQuery(PastQuery, frozen=True, kw_only=True):
    """Which operations, newest first: asked for within this time, and so on."""

    limit: Annotated[int, Meta(ge=1, le=1000)] = 50
    recipe: str | None = None
    kind: OperationKind | None = None
    outcome: Literal["done", "stopped", "aborted", "faulted", "refused"] | None = None
    line: LineNumber | None = None
    before: str | None = None  # only operations older than this one


class GlassesRequest(Value, frozen=True, kw_only=True):
    """These glasses are as large as the book has them now: somebody has looked."""

    glasses: Annotated[tuple[Name, ...], Meta(min_length=1, max_length=100)]


class FreeDose(Value, frozen=True, kw_only=True):
    """A volume of a liquid, or of whatever hangs on a line; exactly one of liquid and line is given."""

    volume_ml: Annotated[float, Meta(gt=0, le=50_000)]
    liquid: str | None = None
    line: LineNumber | None = None


class PourRequest(Value, frozen=True, kw_only=True):
    """Pour a recipe, scaled. A request repeated with the same key never pours twice.

    doses: pour these together into `glass`, under every cap, instead of a recipe of the book; `recipe` is then what the
    drink is to be called.

    At most one of times and volume_ml says how much; with neither of them a glass is filled to its usable volume, and
    without a glass a single is poured. abv_percent changes the shares of what has alcohol and what has none.
    empty_glass: whoever asks has seen an empty glass under the outlet; wanted where there is no glass contact.
    without, instead: what the recipe allows. rest_of: pour what an ended serving still owed, and nothing else.
    last_alone: on a scale, whether the largest dose of each phase is poured by itself at the end; None: as the recipe
    says.
    """

    recipe: str
    times: Times | None = None
    key: Key | None = None
    glass: str | None = None
    volume_ml: Annotated[float, Meta(gt=0, le=50_000)] | None = None
    abv_percent: Annotated[float, Meta(gt=0, le=100)] | None = None
    without: tuple[str, ...] = ()
    instead: tuple[Swap, ...] = ()
    rest_of: str | None = None
    empty_glass: bool = False
    doses: tuple[FreeDose, ...] = ()
    last_alone: bool | None = None


class LineRequest(Value, frozen=True, kw_only=True):
    """Prime, purge, clean or rinse lines. `jug`: a person has confirmed a jug under the outlet.

    `in_air`: and that the suction tubes of a purge hang in air; else it counts as drawing from the containers.
    """

    kind: Literal["prime", "purge", "clean", "rinse"]
    lines: tuple[int, ...]
    jug: bool = False
    in_air: bool = False


class TrialRequest(Value, frozen=True, kw_only=True):
    """Run lines for known times, to be weighed (calibration). Several lines at once serve to learn the sag."""

    lines: tuple[int, ...]
    on_s: Annotated[float, Meta(gt=0, le=120)]
    jug: bool = False


class JogRequest(Value, frozen=True, kw_only=True):
    """Run one line briefly, to see whether the right pump turns the right way."""

    line: int
    on_s: Annotated[float, Meta(gt=0, le=10)] = 0.5
    jug: bool = False  # without one it counts as poured into a glass


class JogAnswerRequest(Value, frozen=True, kw_only=True):
    """What a person saw of a jog: the right pump, the right way round, liquid towards the glass, or not."""

    operation: str
    is_right: bool
    remark: Annotated[str, Meta(max_length=200)] = ""


class WeighingRequest(Value, frozen=True, kw_only=True):
    """What an ended trial put into the jar: grams of the one line weighed."""

    operation: str
    line: int
    grams: Annotated[float, Meta(ge=0, le=10_000)]
    u_grams: UncertainGrams = None


class WeighedTrial(Value, frozen=True, kw_only=True):
    """One row of a file of trials: the line ran alone for on_s and gave grams."""

    on_s: Annotated[float, Meta(gt=0, le=120)]
    grams: Annotated[float, Meta(ge=0, le=10_000)]
    u_grams: UncertainGrams = None


class CalibrationRequest(Value, frozen=True, kw_only=True):
    """Accept the present fit of this line (False: throw the weighings away); sure: in spite of its doubts."""

    line: int
    accept: bool = True
    sure: bool = False
    by: Annotated[str, Meta(max_length=60)] = ""
    temperature_c: Annotated[float, Meta(ge=0, le=40)] | None = None


class TrialsRequest(CalibrationRequest, frozen=True, kw_only=True):
    """Weighed trials of one line that were run earlier; refused as a whole, or taken as a whole.

    accept: they are a calibration of their own, put in force at once; open trials are thrown away then. sure: also when
    it differs much from the last one; no other doubt is waived for trials that nobody saw.
    """

    trials: tuple[WeighedTrial, ...]
    accept: bool = False


class TogetherRequest(Value, frozen=True, kw_only=True):
    """What an ended trial of several lines at once put into the jar, all lines together, to learn the sag."""

    operation: str
    grams: Annotated[float, Meta(ge=0, le=10_000)]
    u_grams: UncertainGrams = None
    by: Annotated[str, Meta(max_length=60)] = ""


class SpotCheckRequest(WeighingRequest, frozen=True, kw_only=True):
    """What an ended trial of one calibrated line weighed, to see whether its calibration still holds.

    adopt: when the line was calibrated with another liquid, carry the calibration over to the one that hangs there.
    """

    adopt: bool = False


class AssignRequest(Value, frozen=True, kw_only=True):
    """A container with this liquid now hangs on this line."""

    line: int
    liquid: str
    container_ml: Annotated[float, Meta(gt=0, le=50_000)]
    opened_ago_s: Annotated[float, Meta(ge=0, le=3.2e8)] = 0.0  # how long ago the container was opened


class AcknowledgeRequest(Value, frozen=True, kw_only=True):
    """A person has seen to the latched cause."""

    cause: str
