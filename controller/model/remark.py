"""A sentence of the engine with its code, so that the page says it in the reader's language."""

from typing import Literal

from msgspec import field

from controller.model.fields import Value

RemarkCode = Literal[
    # why a line may not serve any more
    "past",
    "cleaning",
    "traces",
    "residue",
    "disputed",
    # why a drink cannot be drawn
    "nowhere",
    "wrong_pump",
    "cleaner",
    "unknown",
    "foreign",
    "unprimed",
    "uncalibrated",
    "low",
    "short",
    # why an order waits for a person
    "agreement",
    "nod",
    "silent",
    "fault",
    "busy",
    "tray",
]


class Remark(Value, frozen=True, kw_only=True):
    """What stands in the way. values: what its sentence is about, by name; names tell units (_ml, _s)."""

    code: RemarkCode
    text: str  # in English, for terminals and logs
    values: dict[str, str | float | tuple[str, ...]] = field(default_factory=dict)


def said(remarks: tuple[Remark, ...]) -> str:
    """All of them in one sentence, "" for none."""
    return "; ".join(one.text for one in remarks)
