"""What an address of the HTTP interface is: a row that routes a request, asks the engine and describes the answer."""

from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any, get_args

from controller.engine.engine import Engine
from controller.model.fields import Value
from controller.model.views import Asked, OperationView

Ask = Callable[..., Any]  # the engine and what was asked: the body, the query, or the path's parameter


@dataclass(frozen=True, kw_only=True)
class GuardCommand:
    """A command to the guard: the tag of its refusal, and whether it has been carried out (engine, asked, result).

    waits_for: rules that a moment's patience may satisfy; `ask` is then also given when the request came (monotonic s).
    """

    tag: str
    is_done: Callable[[Engine, Any, Any], bool]
    waits_for: tuple[str, ...] = ()


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


# Where the engine has each of its parts.
PARTS = {
    "Stock": "stock", "LineHygiene": "hygiene", "Sequences": "sequences", "History": "past", "OrderQueue": "orders",
    "Calibrating": "calibrating", "HandsFree": "hands_free", "Learning": "learning", "ScaleSetup": "scale",
}  # fmt: skip


def get(path: str, name: str, says: str, ask: Callable[..., Any] | None = None, **more: Any) -> Address:
    """A question; ask: a method of the engine or of a part of it, or a function of the engine and what was asked."""
    row = _typed(ask)
    return Address(method="GET", path=path, name=name, says=says, **{"query": row.pop("takes", None), **row, **more})


def post(path: str, name: str, says: str, ask: Callable[..., Any] | None = None, **more: Any) -> Address:
    """A request that a rule or the guard may refuse; one that answers Asked begins an operation."""
    row = {"method": "POST", **_typed(ask), **more}
    if row.get("answers") is Asked:
        row |= {"answers": OperationView, "status": 202}
    row.setdefault("status", 204 if row.get("answers") is None else 200)
    return Address(path=path, name=name, says=says, asks_guard=True, **row)


def _typed(ask: Callable[..., Any] | None) -> dict[str, Any]:
    """How a method is asked, what it takes and what it answers; of a function without types, how it is asked."""
    if ask is None or not ask.__annotations__:
        return {"ask": ask}
    *takes, answers = ask.__annotations__.values()
    part, name = ask.__qualname__.split(".")

    def of_part(engine: Engine, asked: Any, *since_s: float) -> Any:
        method = getattr(getattr(engine, PARTS[part]) if part in PARTS else engine, name)
        return method(asked, *since_s) if takes else method()

    row: dict[str, Any] = {"ask": of_part, "answers": answers}
    if getattr(answers, "__origin__", None) is Generator:
        row["answers"] = get_args(answers)[-1]
    if takes and issubclass(takes[0], Value):
        row["takes"] = takes[0]
    return row
