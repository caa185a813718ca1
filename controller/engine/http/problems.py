"""Errors as people's programs read them: problem details (RFC 9457), never a traceback."""

from http import HTTPStatus
from typing import Any

import msgspec
from starlette.responses import Response

from controller.errors import (
    FaultLatched,
    FileProblems,
    IllegalTransition,
    OutOfRange,
    RecordError,
    Refused,
    TundishError,
    Unreachable,
)
from controller.model.messages import Refusal

MEDIA_TYPE = "application/problem+json"

# Problem types by name: HTTP status and title. Each is served at /v1/problems/<name>, which is also its type URI.
PROBLEMS: dict[str, tuple[int, str]] = {
    "malformed": (400, "The request is not what this address takes"),
    "no-token": (401, "On the local network every request must carry a token that is known here"),
    "only-here": (403, "This is done at the machine, not over the network"),
    "not-for-guests": (403, "The guest's token does not open this"),
    "unknown": (404, "Nothing of that name is known here"),
    "refused-now": (409, "A rule refuses this in the machine's present state"),
    "illegal-transition": (409, "The machine's present state does not accept this"),
    "fault-latched": (409, "The machine is stopped by a fault and waits for a person"),
    "too-large": (413, "The request body is too large"),
    "media-type": (415, "The request body must be application/json"),
    "wrong-host": (421, "This machine is not known by the name in the Host header"),
    "files": (422, "A file cannot be used; the old one stays in force"),
    "refused": (422, "A rule refuses this request"),
    "invalid": (422, "A value in the request cannot be used"),
    "too-often": (429, "Too many requests in a short time"),
    "record": (500, "The ledger could not be read or written"),
    "internal": (500, "The engine failed; its log says how"),
    "guard-unreachable": (503, "The guard does not answer"),
    "busy": (503, "Too many connections or streams are open"),
}

# Error classes and the problem type of each; the first match counts, so that bases come last.
TYPES: tuple[tuple[type[TundishError], str], ...] = (
    (FaultLatched, "fault-latched"),
    (IllegalTransition, "illegal-transition"),
    (Unreachable, "guard-unreachable"),
    (OutOfRange, "invalid"),
    (FileProblems, "files"),
    (RecordError, "record"),
    (TundishError, "refused-now"),
)

# Rules that refuse a request whatever the machine's state; all other rules may give way in time.
OF_THE_REQUEST = frozenset(
    {
        "assignment", "book", "book_file", "concurrent", "current", "flow", "jog", "line", "line_volume",
        "operation_on", "operation_time", "run_on", "serving_ethanol", "serving_time", "serving_volume",
        "start_gap", "total_time",
    }
)  # fmt: skip


class HttpProblem(Exception):
    """Raised by a handler to answer with the problem `name` of PROBLEMS."""

    def __init__(self, name: str, detail: str) -> None:
        self.name, self.detail = name, detail
        super().__init__(detail)


def problem(name: str, detail: str, *, headers: dict[str, str] | None = None, **members: Any) -> Response:
    """Problem details of a type in PROBLEMS, with extension members."""
    status, title = PROBLEMS[name]
    body = {"type": f"/v1/problems/{name}", "title": title, "status": status, "detail": detail, **members}
    return _respond(status, body, headers)


def plain_problem(status: int, detail: str, headers: dict[str, str] | None = None) -> Response:
    """Problem details that say no more than the HTTP status does (type about:blank, RFC 9457 section 4.2.1)."""
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    return _respond(status, body, headers)


def refused(refusals: tuple[Refusal, ...]) -> Response:
    """Every refusal of one request; the first stands in the problem's own members."""
    first = refusals[0]
    return problem(
        _refusal_name(first.rule),
        "; ".join(one.reason for one in refusals),
        rule=first.rule,
        asked=first.asked,
        allowed=first.allowed,
        remedy=first.remedy,
        refusals=refusals,
    )


def from_error(error: TundishError) -> Response:
    """The problem for an error that Tundish raises on purpose."""
    if isinstance(error, Refused):
        return refused((Refusal.of("", error),))
    name = next(name for kind, name in TYPES if isinstance(error, kind))
    if isinstance(error, FileProblems):
        return problem(name, str(error), problems=error.problems)
    return problem(name, str(error))


def _refusal_name(rule: str) -> str:
    if rule == "guard":
        return "guard-unreachable"
    return "refused" if rule in OF_THE_REQUEST else "refused-now"


def _respond(status: int, body: dict[str, Any], headers: dict[str, str] | None) -> Response:
    return Response(msgspec.json.encode(body), status, headers=headers, media_type=MEDIA_TYPE)
