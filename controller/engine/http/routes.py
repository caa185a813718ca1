"""Every address of the HTTP interface, with what it takes and answers: served, described and guarded by this table."""

from typing import Any, Literal

from controller.engine.calibrating import Calibrating
from controller.engine.engine import Engine
from controller.engine.history import History
from controller.engine.http.addresses import Address, GuardCommand, get, post
from controller.engine.http.evening import EVENING
from controller.engine.http.hands_free import HANDS_FREE
from controller.engine.http.ordering import ORDERS
from controller.engine.http.scale import SCALE
from controller.engine.learning import Learning
from controller.model import requests, views
from controller.model.fields import Value
from controller.model.network import NetworkView


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


KEY = ("Idempotency-Key", "A pour repeated with the same key is answered with the first one; stands for `key`.")
METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"  # the text format of Prometheus
LAST_EVENT = ("Last-Event-ID", "Go on after this event.")


def _has_liquid(engine: Engine, asked: requests.AssignRequest, _: None) -> bool:
    """Whether the guard has this liquid on the line."""
    hung = {one.line: one.liquid or "" for one in engine.status().lines}
    return hung.get(asked.line, "").casefold() == asked.liquid.casefold()


def _has_calibration(
    engine: Engine, asked: requests.CalibrationRequest | requests.TrialsRequest, view: views.FitView
) -> bool:
    """Whether the guard works with the calibration of this view, if it was to."""
    wanted, known = view.calibration, {one.line: one.calibration for one in engine.status().lines}.get(asked.line)
    if not asked.accept or wanted is None or known is None:
        return not asked.accept
    return (known.flow_ml_s, known.lag_s) == (wanted.flow_ml_s, wanted.lag_s)


def _has_sag(engine: Engine, _: requests.TogetherRequest, view: views.SagView) -> bool:
    known = {one.line: one.calibration for one in engine.status().lines}
    return all((found := known[line]) is not None and found.sag_per_a == view.sag_per_a for line in view.lines)


ADDRESSES: tuple[Address, ...] = (
    get(
        "/healthz",
        "health",
        "Whether the engine answers, and whether it reaches the guard (503 if not).",
        answers=Health,
    ),
    get("/metrics", "metrics", "Figures for a monitoring system.", answers=str, media_type=METRICS_TYPE),
    get("/v1/openapi.json", "openapi", "This description.", answers=dict[str, Any]),
    get(
        "/v1/network",
        "network",
        "Whether the local network is on, and its links; at the machine only.",
        answers=NetworkView,
    ),
    post("/v1/network/renew", "renew_network", "Turn everybody out, and give new tokens.", answers=NetworkView),
    get("/v1/access", "access", "Whose token the request carries.", answers=Access, for_guests=True),
    get("/v1/status", "status", "The machine at a glance.", Engine.status),
    get(
        "/v1/menu",
        "menu",
        "Every recipe, and whether it can be poured now.",
        Engine.menu,
        is_judged=True,
        for_guests=True,
    ),
    get("/v1/names", "names", "Recipes, glasses, liquids and lines that requests may name.", Engine.names),
    get(
        "/v1/plan",
        "plan",
        "The plan of a drink, with what limits it.",
        lambda engine, query: engine.plan(requests.PourRequest(recipe=query.recipe, times=query.times)),
        answers=views.PlanView,
        is_judged=True,
        query=requests.PlanQuery,
        asks_guard=True,
    ),
    post("/v1/plans", "plan_of", "The plan of a drink, scaled or changed.", Engine.plan, is_judged=True),
    post("/v1/pours", "pour", "Pour a drink.", takes=requests.PourRequest, answers=views.Asked, header=KEY),
    post("/v1/line-operations", "run_lines", "Prime, purge, clean or rinse lines.", Engine.run_lines),
    post("/v1/trials", "trial", "Run lines for a known time, to be weighed.", Engine.trial),
    post("/v1/jogs", "jog", "Run one line briefly.", Engine.jog),
    get("/v1/jogs", "jogs", "Which lines somebody has seen move the right way.", Engine.jogs),
    post("/v1/jogs/answers", "answer_jog", "What a person saw of a jog.", Engine.answer_jog),
    post("/v1/weighings", "weigh", "What a trial weighed.", Calibrating.weigh),
    post(
        "/v1/weighings/together",
        "weigh_sag_trials",
        "What a trial of several lines weighed, to learn the sag.",
        Calibrating.weigh_sag_trials,
        command=GuardCommand(tag="take_calibration", is_done=_has_sag),
    ),
    post(
        "/v1/spot-checks",
        "spot_check",
        "What a trial of a calibrated line weighed, to see whether its calibration still holds.",
        Calibrating.spot_check,
    ),
    get("/v1/calibrations/{line}", "fit", "A line's calibration as it stands.", Calibrating.fit, asks_guard=True),
    get(
        "/v1/calibrations/{line}/history",
        "calibration_history",
        "Every calibration the line ever had, oldest first.",
        Calibrating.calibrations,
        asks_guard=True,
    ),
    get(
        "/v1/calibrations/{line}/learned",
        "learned",
        "What weighed servings have said of a line since it was calibrated, oldest first.",
        Learning.path,
        asks_guard=True,
    ),
    post(
        "/v1/calibrations/{line}/set-back",
        "set_back",
        "Give up what was learned of a line since its last calibration.",
        Learning.set_back,
    ),
    post(
        "/v1/calibrations/{line}/trials",
        "weigh_rows",
        "Trials of a line that were run and weighed earlier.",
        Calibrating.weigh_rows,
        command=GuardCommand(tag="take_calibration", is_done=_has_calibration),
    ),
    post(
        "/v1/calibrations/{line}/trials/strike",
        "strike_trial",
        "Strike one open trial of a line or all of them, or restore them.",
        Calibrating.strike_trial,
    ),
    post(
        "/v1/spot-checks/{line}/strike",
        "strike_spot_check",
        "Strike a line's last spot check, when its weight was wrong.",
        Calibrating.strike_spot_check,
    ),
    post(
        "/v1/calibrations/{line}",
        "settle_calibration",
        "Accept a line's present fit, or throw its weighings away.",
        Calibrating.settle,
        command=GuardCommand(tag="take_calibration", is_done=_has_calibration),
    ),
    post(
        "/v1/lines/{line}",
        "assign",
        "A container with this liquid now hangs on this line.",
        Engine.assign,
        method="PUT",
        command=GuardCommand(tag="assign", is_done=_has_liquid),
    ),
    get(
        "/v1/operations",
        "operations",
        "The latest operations, newest first, all of them or those that are wanted.",
        History.page,
        asks_guard=True,
    ),
    get(
        "/v1/operations/{operation}",
        "operation",
        "One operation; a guest's, when it pours an own order.",
        answers=views.OperationView,
        for_guests=True,
    ),
    get(
        "/v1/operations/{operation}/plan",
        "operation_plan",
        "The plan that the operation under way began with; empty for one that is on record.",
        Engine.plan_under_way,
    ),
    post(
        "/v1/operations/{operation}/confirm",
        "confirm",
        "The hand step that an operation waits for is done.",
        Engine.confirm,
    ),
    post("/v1/book/reload", "reload", "Read the book's file again.", answers=views.BookView),
    post(
        "/v1/book/glasses",
        "confirm_glasses",
        "Glasses are as large as the book that was read again has them: somebody has looked.",
        takes=requests.GlassesRequest,
    ),
    post("/v1/stop", "stop", "Everything off, now.", Engine.stop),
    post(
        "/v1/acknowledge",
        "acknowledge",
        "A person has seen to the cause of the latched fault.",
        Engine.acknowledge,
        command=GuardCommand(tag="acknowledge", is_done=lambda engine, *_: engine.status().fault is None),
    ),
    get(
        "/v1/events",
        "events",
        "Server-sent events. A guest hears of own orders and the queue: orders (once, at first), order, queue. The"
        " operator hears of all orders, of status, operation, and of progress (which carries no id) while pumps run.",
        answers=str,
        media_type="text/event-stream",
        header=LAST_EVENT,
        for_guests=True,
    ),
    get("/v1/problems/{name}", "problem_type", "What a type of problem means.", answers=ProblemType),
    *HANDS_FREE,
    *ORDERS,
    *EVENING,
    *SCALE,
)
