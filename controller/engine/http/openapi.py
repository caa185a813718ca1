"""The interface described as OpenAPI 3.1, from the table of addresses and the types that it reads and writes."""

import json
import re
from functools import cache
from importlib.metadata import version
from typing import Any

import msgspec

from controller.engine.http.addresses import Address
from controller.engine.http.problems import MEDIA_TYPE, PROBLEMS
from controller.engine.http.routes import ADDRESSES
from controller.errors import Problem
from controller.model.fields import Value
from controller.model.messages import Refusal
from controller.model.views import BookView

REF = "#/components/schemas/{name}"
ABOUT = (
    "Every refusal is a problem (RFC 9457) that says which rule refuses, what was asked, what is allowed, and the way "
    "out. On the Unix socket the file's permissions decide who may ask. On the local network every request carries a "
    "token: the operator's opens everything, the guest's only what says so."
)
# Parameters of paths, by name.
IN_PATH: dict[str, dict[str, Any]] = {
    "line": {"type": "integer", "minimum": 0, "maximum": 10**9},
    "order": {"type": "integer", "minimum": 0, "maximum": 10**9},
    "operation": {"type": "string", "minLength": 1, "pattern": "^[^/]+$"},
    "name": {"enum": list(PROBLEMS)},
}
# Problems that depend on no address: the first row can meet everybody, the second only on the local network.
ANYWHERE = ("record", "internal")
ON_THE_NETWORK = ("no-token", "only-here", "not-for-guests", "wrong-host", "too-often")


class ProblemDetails(Value, frozen=True, kw_only=True):
    """Why a request was not done (RFC 9457). A refusal by rules carries the first in its own members, and all."""

    type: str
    title: str
    status: int
    detail: str
    rule: str = ""
    asked: str = ""
    allowed: str = ""
    remedy: str = ""
    refusals: tuple[Refusal, ...] = ()
    problems: tuple[Problem, ...] = ()


@cache
def openapi() -> dict[str, Any]:
    """The whole description."""
    kinds = [one for address in ADDRESSES for one in (address.takes, address.query, address.answers) if one is not None]
    _, components = msgspec.json.schema_components([*kinds, ProblemDetails], ref_template=REF)
    paths: dict[str, Any] = {}
    for address in ADDRESSES:
        paths.setdefault(address.path, {})[address.method.lower()] = _operation(address, components)
    for address in ADDRESSES:
        if address.query is not None:
            components.pop(address.query.__name__, None)  # it stands in the parameters
    described = {
        "openapi": "3.1.0",
        "info": {"title": "Tundish", "version": version("tundish"), "description": ABOUT},
        "servers": [{"url": "/"}],
        "paths": paths,
        "security": [{}, {"token": []}],
        "components": {
            "schemas": dict(sorted(components.items())),
            "responses": _problem_responses(),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }
    plain: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(described))  # defaults are tuples until then
    return plain


def openapi_text() -> str:
    """The description as a JSON document."""
    return json.dumps(openapi(), indent=2, ensure_ascii=False) + "\n"


def problems_of(address: Address) -> tuple[str, ...]:
    """Every problem that this address may answer with."""
    names = [*ANYWHERE, *ON_THE_NETWORK]
    if address.takes is not None:
        names += ["malformed", "media-type", "too-large", "invalid"]
    if address.query is not None:
        names.append("invalid")
    if "{" in address.path:
        names.append("unknown")
    if address.answers is BookView:
        names.append("files")
    if address.asks_guard:
        names += ["invalid", "refused", "refused-now", "illegal-transition", "fault-latched", "guard-unreachable"]
    if address.media_type == "text/event-stream":
        names.append("busy")
    return tuple(name for name in PROBLEMS if name in names)


def _operation(address: Address, components: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {"operationId": address.name, "summary": address.says}
    if address.for_guests:
        found["description"] = "Open to guests."
    parameters = [*_in_path(address), *_in_query(address, components), *_headers(address)]
    if parameters:
        found["parameters"] = parameters
    if address.takes is not None:
        body = {"schema": _body(address, components)}
        found["requestBody"] = {"required": True, "content": {"application/json": body}}
    found["responses"] = {str(address.status): _success(address), **_problems(address)}
    return found


def _in_path(address: Address) -> list[dict[str, Any]]:
    names = re.findall(r"{(\w+)}", address.path)
    return [{"name": name, "in": "path", "required": True, "schema": IN_PATH[name]} for name in names]


def _in_query(address: Address, components: dict[str, Any]) -> list[dict[str, Any]]:
    if address.query is None:
        return []
    described = components[address.query.__name__]
    required = described.get("required", [])
    return [
        {"name": name, "in": "query", "required": name in required, "schema": schema}
        for name, schema in described["properties"].items()
    ]


def _headers(address: Address) -> list[dict[str, Any]]:
    if address.header is None:
        return []
    name, says = address.header
    schema = {"type": "string", "minLength": 1, "maxLength": 80}
    return [{"name": name, "in": "header", "required": False, "description": says, "schema": schema}]


def _body(address: Address, components: dict[str, Any]) -> dict[str, Any]:
    """The body's schema, without what the path says already."""
    name = address.takes.__name__ if address.takes is not None else ""
    said = set(re.findall(r"{(\w+)}", address.path))
    described: dict[str, Any] = components[name]
    if not said & described["properties"].keys():
        return {"$ref": REF.format(name=name)}
    return described | {
        "properties": {key: schema for key, schema in described["properties"].items() if key not in said},
        "required": [key for key in described.get("required", []) if key not in said],
    }


def _success(address: Address) -> dict[str, Any]:
    if address.answers is None:
        return {"description": "Done."}
    if address.media_type != "application/json":
        return {"description": address.says, "content": {address.media_type: {"schema": {"type": "string"}}}}
    (schema,), _ = msgspec.json.schema_components([address.answers], ref_template=REF)
    return {"description": address.says, "content": {address.media_type: {"schema": schema}}}


def _problems(address: Address) -> dict[str, Any]:
    statuses = sorted({PROBLEMS[name][0] for name in problems_of(address)})
    return {str(status): {"$ref": f"#/components/responses/problem-{status}"} for status in statuses}


def _problem_responses() -> dict[str, Any]:
    """One response for each status, with the titles of its problems."""
    titles: dict[int, list[str]] = {}
    for status, title in PROBLEMS.values():
        titles.setdefault(status, []).append(title)
    content = {MEDIA_TYPE: {"schema": {"$ref": REF.format(name=ProblemDetails.__name__)}}}
    return {
        f"problem-{status}": {"description": "; ".join(said) + ".", "content": content}
        for status, said in titles.items()
    }
