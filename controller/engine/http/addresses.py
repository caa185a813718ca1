"""What an address of the HTTP interface is: a row that routes a request, asks the engine and describes the answer."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from controller.engine.engine import Engine
from controller.model.fields import Value
from controller.model.views import OperationView

Ask = Callable[[Engine, Any], Any]  # the engine and what was asked: the body, the query, or the path's parameter


@dataclass(frozen=True, kw_only=True)
class GuardCommand:
    """A command to the guard: the tag of its refusal, and whether it has been carried out (engine, asked, result)."""

    tag: str
    is_done: Callable[[Engine, Any, Any], bool]


@dataclass(frozen=True, kw_only=True)
class Address:
    """One address.

    path: parameters in braces. name: the operation's id. takes: the JSON body; a member of the same name as a parameter
    of the path is left out of it. ask: what the engine is asked, then: what it is asked for the answer when the first
    gives none; without `ask` the method of Api with this name answers. is_judged: the guard's opinion of plans is
    waited for. command: the guard's answer is. answers: what a success holds, None for nothing (204).
    asks_guard: a rule or the guard may refuse it. for_guests: the guest's token opens it. header: one that it reads.
    """

    method: str
    path: str
    name: str
    says: str
    takes: type[Value] | None = None
    query: type[Value] | None = None
    answers: Any = None
    ask: Ask | None = None
    then: Ask | None = None
    is_judged: bool = False
    command: GuardCommand | None = None
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


def get(path: str, name: str, says: str, answers: Any, **more: Any) -> Address:
    """A question."""
    return Address(method="GET", path=path, name=name, says=says, answers=answers, **more)


def post(path: str, name: str, says: str, takes: type[Value] | None, answers: Any, **more: Any) -> Address:
    """A request that a rule or the guard may refuse; without an answer its status is 204."""
    more = {"method": "POST", "status": 204 if answers is None else 200} | more
    return Address(path=path, name=name, says=says, takes=takes, answers=answers, asks_guard=True, **more)


def begin(path: str, name: str, says: str, takes: type[Value] | None, **more: Any) -> Address:
    """A request that begins an operation."""
    return post(path, name, says, takes, OperationView, status=202, **more)
