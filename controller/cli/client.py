"""A small HTTP client for the engine's Unix socket."""

import http.client
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote, urlencode

import msgspec

from controller.cli.places import ENGINE, run_dir_to_use
from controller.errors import FaultLatched, FileProblems, Problem, Refused, TundishError, Unreachable
from controller.model.messages import Refusal

ANSWER_S = 10.0  # longest wait for an answer
SILENCE_S = 20.0  # an event stream is never silent for longer than its keep-alive, 15 s

T = TypeVar("T")


class RefusedByRules(Refused):
    """Everything that refused one request; the first refusal stands in the fields of Refused."""

    def __init__(self, refusals: tuple[Refusal, ...]) -> None:
        super().__init__(**vars(refusals[0].error()))
        self.refusals = [msgspec.to_builtins(one) for one in refusals]
        lines = [f"refused by {one.rule}: {one.reason}" + (f" {one.remedy}" if one.remedy else "") for one in refusals]
        self.args = ("\n".join(lines),)


class WrongRequest(TundishError):
    """A value that the engine cannot use."""

    exit_code = 2


class EngineClient:
    """The engine's HTTP interface, behind the socket in `run_dir`. Every call raises TundishError by its problem."""

    def __init__(self, run_dir: Path | None) -> None:
        self._run_dir = run_dir_to_use(run_dir)
        self.path = self._run_dir / ENGINE

    def get(self, address: str, kind: type[T], /, **query: object) -> T:
        """GET /v1/`address` with those values of the query that are not None."""
        return self._decode(self._ask("GET", _with_query(address, query)), kind)

    def post(self, address: str, kind: type[T], body: object = None, *, within_s: float = ANSWER_S) -> T:
        """POST /v1/`address`; `kind` is NoneType where no answer is awaited. within_s: longest wait for the answer."""
        return self._decode(self._ask("POST", address, body, within_s), kind)

    def put(self, address: str, body: object) -> None:
        """PUT /v1/`address`."""
        self._ask("PUT", address, body)

    def is_healthy(self) -> bool:
        """Whether the engine answers and reaches the guard. Raises Unreachable when it does not answer."""
        connection, answer = self._open("GET", "/healthz", None, {}, ANSWER_S)
        connection.close()
        return answer.status == 200

    def events(self, last_id: str | None = None) -> Iterator[tuple[str, bytes]]:
        """(event name, JSON) as they come; ends when the engine goes away. The first is the present status."""
        headers = {} if last_id is None else {"Last-Event-ID": last_id}
        connection, answer = self._open("GET", "events", None, headers, SILENCE_S)
        try:
            if answer.status != 200:
                raise _error(answer.status, answer.read())
            yield from _read_events(answer)
        except (OSError, http.client.HTTPException):
            return
        finally:
            connection.close()

    def _ask(self, method: str, address: str, body: object = None, within_s: float = ANSWER_S) -> bytes:
        connection, answer = self._open(method, address, body, {}, within_s)
        try:
            content = answer.read()
        except (OSError, http.client.HTTPException) as error:
            raise self._unreachable(error) from error
        finally:
            connection.close()
        if answer.status >= 400:
            raise _error(answer.status, content)
        return content

    def _open(
        self, method: str, address: str, body: object, headers: dict[str, str], timeout_s: float
    ) -> tuple[http.client.HTTPConnection, http.client.HTTPResponse]:
        connection = _UnixConnection(self.path, timeout_s)
        content = None
        if body is not None:
            content, headers = msgspec.json.encode(body), headers | {"Content-Type": "application/json"}
        try:
            path = address if address.startswith("/") else f"/v1/{address}"
            connection.request(method, path, content, headers)
            return connection, connection.getresponse()
        except (OSError, http.client.HTTPException) as error:
            connection.close()
            raise self._unreachable(error) from error

    def _unreachable(self, error: Exception) -> Unreachable:
        if isinstance(error, PermissionError):
            return Unreachable(
                f"this user may not open the engine's socket {self.path}. Join its group (see ls -l), or use sudo."
            )
        from controller.cli.run.listeners import running_in

        left = [one.name for one in running_in(self._run_dir)]
        if left:
            return Unreachable(
                f"no engine answers at {self.path} ({error}), though {' and '.join(left)} still run there. End them "
                "with tundish down, then start all with tundish up."
            )
        return Unreachable(
            f"no engine answers at {self.path} ({error}). Start it with tundish up, or name its place with --run-dir."
        )

    def _decode(self, content: bytes, kind: type[T]) -> T:
        return msgspec.json.decode(content or b"null", type=kind)


class _UnixConnection(http.client.HTTPConnection):
    def __init__(self, path: Path, timeout_s: float) -> None:
        super().__init__("tundish", timeout=timeout_s)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        self.sock.connect(str(self._path))


def address(*parts: object) -> str:
    """An address of its parts, each quoted."""
    return "/".join(quote(str(part), safe="") for part in parts)


def _with_query(path: str, query: dict[str, object]) -> str:
    given = {name: value for name, value in query.items() if value is not None}
    return f"{path}?{urlencode(given)}" if given else path


def _read_events(answer: http.client.HTTPResponse) -> Iterator[tuple[str, bytes]]:
    name, data = "message", b""
    while line := answer.readline():
        field, _, value = line.rstrip(b"\n").partition(b": ")
        if field == b"event":
            name = value.decode()
        elif field == b"data":
            data = value
        elif line == b"\n" and data:
            yield name, data
            name, data = "message", b""


def _error(status: int, content: bytes) -> TundishError:
    """The error that these problem details describe."""
    try:
        details: dict[str, Any] = msgspec.json.decode(content, type=dict[str, Any])
    except msgspec.DecodeError:
        return TundishError(f"the engine answered {status} without saying why")
    detail = str(details.get("detail", details.get("title", status)))
    match str(details.get("type", "")).rpartition("/")[2]:
        case "refused" | "refused-now":
            return RefusedByRules(msgspec.convert(details["refusals"], tuple[Refusal, ...]))
        case "fault-latched":
            return FaultLatched(detail)
        case "files":
            return FileProblems([Problem(**one) for one in details["problems"]])
        case "guard-unreachable":
            return Unreachable(f"{detail} {details.get('remedy', '')}".strip())
        case "invalid" | "malformed" | "too-large" | "media-type":
            return WrongRequest(detail)
    return TundishError(detail)
