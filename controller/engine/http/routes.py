"""Every address of the HTTP interface, with what it takes and answers: served, described and guarded by this table."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from msgspec import Meta

from controller.model.calibration import Calibration
from controller.model.evening import (
    ChangeRequest,
    CloseRequest,
    EmptyRequest,
    HygieneLine,
    HygieneRecord,
    RefillRequest,
    RuleCount,
    SequenceView,
    StockChange,
    StockView,
    StockWeighingRequest,
    Usage,
)
from controller.model.fields import LineNumber, Value
from controller.model.plan import Segment
from controller.model.requests import (
    AcknowledgeRequest,
    AssignRequest,
    CalibrationRequest,
    GlassesRequest,
    JogAnswerRequest,
    JogRequest,
    LineRequest,
    PourRequest,
    SpotCheckRequest,
    TogetherRequest,
    TrialRequest,
    TrialsRequest,
    WeighingRequest,
)
from controller.model.states import OperationKind
from controller.model.views import (
    BookView,
    FitView,
    JogView,
    MenuEntry,
    Names,
    OperationView,
    PlanView,
    SagView,
    SpotCheckView,
    Status,
    Times,
)
from controller.model.weighing import StrikeRequest

Moment = Annotated[float, Meta(ge=0, le=1e11)]  # Unix seconds


class Health(Value, frozen=True, kw_only=True):
    """Whether the engine reaches the guard."""

    guard_connected: bool


class ProblemType(Value, frozen=True, kw_only=True):
    """What a type of problem means."""

    status: int
    title: str


class Access(Value, frozen=True, kw_only=True):
    """What the request's token opens; on the Unix socket, everything."""

    role: Literal["operator", "guest"]


class PlanQuery(Value, frozen=True, kw_only=True):
    """Which drink to plan."""

    recipe: str
    times: Times = 1.0


class HistoryQuery(Value, frozen=True, kw_only=True):
    """How much of the past to tell."""

    limit: Annotated[int, Meta(ge=1, le=1000)] = 50
    since_wall_s: Moment | None = None
    until_wall_s: Moment | None = None
    recipe: str | None = None
    kind: OperationKind | None = None
    outcome: Literal["done", "stopped", "aborted", "faulted", "refused"] | None = None
    line: LineNumber | None = None
    before: str | None = None  # only operations older than this one


class PastQuery(Value, frozen=True, kw_only=True):
    """Which part of the past (Unix seconds)."""

    since_wall_s: Moment | None = None
    until_wall_s: Moment | None = None


class UsageQuery(Value, frozen=True, kw_only=True):
    """Which part of the past (Unix seconds), and of what."""

    since_wall_s: Moment | None = None
    until_wall_s: Moment | None = None
    liquid: str | None = None
    recipe: str | None = None
    line: LineNumber | None = None


@dataclass(frozen=True, kw_only=True)
class Address:
    """One address.

    path: parameters in braces. handler: the name of the method of Api. takes: the JSON body; a member of the same name
    as a parameter of the path is left out of it. answers: what a success holds, None for nothing (204). asks_guard: a
    rule or the guard may refuse it. for_guests: the guest's token opens it. header: one that it understands.
    """

    method: str
    path: str
    handler: str
    says: str
    takes: type[Value] | None = None
    query: type[Value] | None = None
    answers: Any = None
    status: int = 200
    media_type: str = "application/json"
    asks_guard: bool = False
    for_guests: bool = False
    header: tuple[str, str] | None = None  # name, what it is for

    def is_at(self, path: str) -> bool:
        """Whether a request's path is one of this address; each parameter stands for one part of it."""
        wanted, asked = self.path.split("/"), path.split("/")
        parts = zip(wanted, asked, strict=False)
        return len(wanted) == len(asked) and all(one == part or (one[:1] == "{" and part != "") for one, part in parts)


def _get(path: str, handler: str, says: str, answers: Any, **more: Any) -> Address:
    return Address(method="GET", path=path, handler=handler, says=says, answers=answers, **more)


def _post(path: str, handler: str, says: str, takes: type[Value] | None, answers: Any, **more: Any) -> Address:
    return Address(method="POST", path=path, handler=handler, says=says, takes=takes, answers=answers, **more)


def _begin(path: str, handler: str, says: str, takes: type[Value] | None, **more: Any) -> Address:
    return _post(path, handler, says, takes, OperationView, status=202, asks_guard=True, **more)


KEY = ("Idempotency-Key", "A pour repeated with the same key is answered with the first one; stands for `key`.")
METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"  # the text format of Prometheus
LAST_EVENT = ("Last-Event-ID", "Go on after this event.")

# Stock, hygiene, guided sequences, the past.
EVENING: tuple[Address, ...] = (
    _get("/v1/stock", "stock", "What hangs on the lines, and how much is left.", tuple[StockView, ...]),
    _post(
        "/v1/stock/{line}/refill",
        "refill",
        "A fresh container of the same liquid hangs on this line.",
        RefillRequest,
        StockChange,
        asks_guard=True,
    ),
    _post(
        "/v1/stock/{line}/weighing",
        "weigh_container",
        "What the container on this line weighs.",
        StockWeighingRequest,
        StockChange,
        asks_guard=True,
    ),
    _post(
        "/v1/stock/{line}/empty",
        "empty_container",
        "The container on this line is empty; a pour from it is held.",
        EmptyRequest,
        StockChange,
        asks_guard=True,
    ),
    _post(
        "/v1/stock/{line}/confirm",
        "confirm_container",
        "Guard and stock disagree about this line; somebody has looked, and the stock is right.",
        None,
        StockView,
        asks_guard=True,
    ),
    _get("/v1/hygiene", "hygiene", "What every line holds, and what it is due for.", tuple[HygieneLine, ...]),
    _get(
        "/v1/hygiene/record",
        "hygiene_record",
        "What happened to the lines, for an inspector.",
        HygieneRecord,
        query=PastQuery,
    ),
    _get("/v1/sequences", "sequences", "Guided sequences under way.", tuple[SequenceView, ...]),
    _post(
        "/v1/sequences/close",
        "close",
        "Begin the evening's end, or take it up again.",
        CloseRequest,
        SequenceView,
        asks_guard=True,
    ),
    _begin("/v1/sequences/close/next", "close_next", "Carry out the step of the evening's end.", None),
    _post(
        "/v1/sequences/close/drop", "close_drop", "Forget the evening's end.", None, None, status=204, asks_guard=True
    ),
    _post(
        "/v1/lines/{line}/change",
        "change",
        "Begin a change of liquid on this line, or take it up again.",
        ChangeRequest,
        SequenceView,
        asks_guard=True,
    ),
    _begin("/v1/lines/{line}/change/next", "change_next", "Carry out the step of the change.", None),
    _post("/v1/lines/{line}/change/drop", "change_drop", "Forget the change.", None, None, status=204, asks_guard=True),
    _get(
        "/v1/usage",
        "usage",
        "What went through the machine, by evening and liquid.",
        tuple[Usage, ...],
        query=UsageQuery,
    ),
    _get("/v1/refusals", "refusals", "How often each rule has refused.", tuple[RuleCount, ...], query=PastQuery),
)

ADDRESSES: tuple[Address, ...] = (
    _get("/healthz", "health", "Whether the engine answers, and whether it reaches the guard (503 if not).", Health),
    _get("/metrics", "metrics", "Figures for a monitoring system.", str, media_type=METRICS_TYPE),
    _get("/v1/openapi.json", "openapi", "This description.", dict[str, Any]),
    _get("/v1/access", "access", "Whose token the request carries.", Access, for_guests=True),
    _get("/v1/status", "status", "The machine at a glance.", Status, for_guests=True),
    _get("/v1/menu", "menu", "Every recipe, and whether it can be poured now.", tuple[MenuEntry, ...], for_guests=True),
    _get("/v1/names", "names", "Recipes, glasses, liquids and lines that requests may name.", Names),
    _get("/v1/plan", "plan", "The plan of a drink, with what limits it.", PlanView, query=PlanQuery, asks_guard=True),
    _post("/v1/plans", "plan_of", "The plan of a drink, scaled or changed.", PourRequest, PlanView, asks_guard=True),
    _begin("/v1/pours", "pour", "Pour a drink.", PourRequest, header=KEY, for_guests=True),
    _begin("/v1/line-operations", "run_lines", "Prime, purge, clean or rinse lines.", LineRequest),
    _begin("/v1/trials", "trial", "Run lines for a known time, to be weighed.", TrialRequest),
    _begin("/v1/jogs", "jog", "Run one line briefly.", JogRequest),
    _get("/v1/jogs", "jogs", "Which lines somebody has seen move the right way.", tuple[JogView, ...]),
    _post(
        "/v1/jogs/answers",
        "answer_jog",
        "What a person saw of a jog.",
        JogAnswerRequest,
        tuple[JogView, ...],
        asks_guard=True,
    ),
    _post("/v1/weighings", "weigh", "What a trial weighed.", WeighingRequest, FitView, asks_guard=True),
    _post(
        "/v1/weighings/together",
        "weigh_sag_trials",
        "What a trial of several lines weighed, to learn the sag.",
        TogetherRequest,
        SagView,
        asks_guard=True,
    ),
    _post(
        "/v1/spot-checks",
        "spot_check",
        "What a trial of a calibrated line weighed, to see whether its calibration still holds.",
        SpotCheckRequest,
        SpotCheckView,
        asks_guard=True,
    ),
    _get("/v1/calibrations/{line}", "fit", "A line's calibration as it stands.", FitView, asks_guard=True),
    _get(
        "/v1/calibrations/{line}/history",
        "calibration_history",
        "Every calibration the line ever had, oldest first.",
        tuple[Calibration, ...],
        asks_guard=True,
    ),
    _post(
        "/v1/calibrations/{line}/trials",
        "weigh_rows",
        "Trials of a line that were run and weighed earlier.",
        TrialsRequest,
        FitView,
        asks_guard=True,
    ),
    _post(
        "/v1/calibrations/{line}/trials/strike",
        "strike_trial",
        "Strike one open trial of a line or all of them, or restore them.",
        StrikeRequest,
        FitView,
        asks_guard=True,
    ),
    _post(
        "/v1/spot-checks/{line}/strike",
        "strike_spot_check",
        "Strike a line's last spot check, when its weight was wrong.",
        None,
        None,
        status=204,
        asks_guard=True,
    ),
    _post(
        "/v1/calibrations/{line}",
        "settle_calibration",
        "Accept a line's present fit, or throw its weighings away.",
        CalibrationRequest,
        FitView,
        asks_guard=True,
    ),
    Address(
        method="PUT",
        path="/v1/lines/{line}",
        handler="assign",
        says="A container with this liquid now hangs on this line.",
        takes=AssignRequest,
        status=204,
        asks_guard=True,
    ),
    _get(
        "/v1/operations",
        "operations",
        "The latest operations, newest first, all of them or those that are wanted.",
        tuple[OperationView, ...],
        query=HistoryQuery,
        asks_guard=True,
    ),
    _get("/v1/operations/{operation}", "operation", "One operation.", OperationView),
    _get(
        "/v1/operations/{operation}/plan",
        "operation_plan",
        "The plan that the operation under way began with; empty for one that is on record.",
        tuple[Segment, ...],
        for_guests=True,
    ),
    _post(
        "/v1/operations/{operation}/confirm",
        "confirm",
        "The hand step that an operation waits for is done; open to whoever may pour.",
        None,
        None,
        status=204,
        asks_guard=True,
        for_guests=True,
    ),
    _post("/v1/book/reload", "reload", "Read the book's file again.", None, BookView, asks_guard=True),
    _post(
        "/v1/book/glasses",
        "confirm_glasses",
        "Glasses are as large as the book that was read again has them: somebody has looked.",
        GlassesRequest,
        None,
        status=204,
        asks_guard=True,
    ),
    _post("/v1/stop", "stop", "Everything off, now.", None, None, status=204, asks_guard=True),
    _post(
        "/v1/acknowledge",
        "acknowledge",
        "A person has seen to the cause of the latched fault.",
        AcknowledgeRequest,
        None,
        status=204,
        asks_guard=True,
    ),
    _get(
        "/v1/events",
        "events",
        "Server-sent events: status, operation, and progress (which carries no id) while pumps run.",
        str,
        media_type="text/event-stream",
        header=LAST_EVENT,
    ),
    _get("/v1/problems/{name}", "problem_type", "What a type of problem means.", ProblemType),
    *EVENING,
)
