"""What can be asked of a bench over its socket: one JSON object a line, answered in turn by one JSON object a line.

    {"ask": "hello", "with": {"name": "guard"}}                  {"answer": null}
    {"ask": "claim_output", "with": {"gpio": 2, "level": true}}  {"answer": null}
    {"ask": "scale_g"}                                           {"answer": 312.48}
    {"ask": "convert", "with": {"after": 4711}}      {"answer": {"number": 4712, "at_s": 58.9, "counts": 163021}}
    {"ask": "unhang", "with": {"line": 9}}                       {"refused": "there is no line 9", "rule": "bench_line"}

Levels are the electrical ones: true is high. A connection holds the pins that it claims until it releases them or
ends. `hello` names it, for refusals and for the trace. Every other ask is a method of Plant.
"""

from inspect import Parameter, signature
from typing import Any, get_type_hints

import msgspec

from controller.bench.plant import Plant
from controller.errors import BoardError, Refused, TundishError

MAX_BYTES = 64 * 1024  # of one ask

IN_THE_HOLDERS_NAME = ("claim_output", "claim_input", "set_pin", "release_pin")
ASKS = (
    *IN_THE_HOLDERS_NAME, "read_pin", "place_glass", "lift_glass", "empty_glass", "hang", "unhang", "press_stop",
    "release_stop", "set_tray", "set_input", "inject", "clear", "scale_g", "tare", "add_ice", "place_mass", "knock",
    "lean", "conversions", "convert", "glass_contents_ml", "true_delivered_ml", "container_ml", "moves", "contacts",
    "report",
    "truth_report", "newest_entries",
)  # fmt: skip


class Question(msgspec.Struct, forbid_unknown_fields=True):
    """One line of a client. The field called `with` in JSON holds the arguments by name."""

    ask: str
    arguments: dict[str, Any] = msgspec.field(name="with", default_factory=dict)


class Answer(msgspec.Struct, omit_defaults=True):
    """One line of the bench: an answer, or a refusal with its rule ("" for what the board cannot do)."""

    answer: Any = None
    refused: str | None = None
    rule: str = ""
    remedy: str = ""


def _arguments(name: str) -> type[msgspec.Struct]:
    """The arguments of a method of Plant as a type that checks them: what the method says is written once."""
    method = getattr(Plant, name)
    hints = get_type_hints(method)
    fields = [
        (one.name, hints[one.name]) if one.default is Parameter.empty else (one.name, hints[one.name], one.default)
        for one in signature(method).parameters.values()
        if one.name not in ("self", "holder")
    ]
    return msgspec.defstruct(name, fields, kw_only=True, forbid_unknown_fields=True)


_ARGUMENTS = {name: _arguments(name) for name in ASKS}


def answer(plant: Plant, question: Question, holder: str) -> Answer:
    """Carry out one question in the name of holder."""
    if question.ask not in _ARGUMENTS:
        return Answer(refused=f"the bench knows no {question.ask!r}", rule="bench_ask", remedy=", ".join(ASKS))
    try:
        checked = msgspec.convert(question.arguments, _ARGUMENTS[question.ask])
        arguments = {name: getattr(checked, name) for name in checked.__struct_fields__}
        if question.ask in IN_THE_HOLDERS_NAME:
            arguments["holder"] = holder
        return Answer(answer=getattr(plant, question.ask)(**arguments))
    except msgspec.ValidationError as exc:
        return Answer(refused=f"{question.ask}: {exc}", rule="bench_ask")
    except Refused as exc:
        return Answer(refused=exc.reason, rule=exc.rule, remedy=exc.remedy)
    except BoardError as exc:
        return Answer(refused=str(exc))
    except TundishError as exc:
        return Answer(refused=str(exc), rule="bench_ask")
