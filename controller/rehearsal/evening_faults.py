"""Faults that are to come about during a rehearsal, as people write them: "pump stalled, line 3, 20:15"."""

import re

import msgspec

from controller.bench.faults import KINDS, WITHOUT_PLACE, FaultKind, InjectedFault, require_possible
from controller.errors import BadQuantity, Refused
from controller.model.event import DAY_S, TIME_OF_DAY, GuestEvent, seconds_between
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.quantities import parse, quote

# Kinds that want a word between place and time: its unit ("" a fraction, None the state of a contact), and an example.
_EXTRA = {"tube worn": ("", "30 %"), "relay slow": ("s", "0.2 s"), "input stuck": (None, "open")}


class PlannedFault(Value, frozen=True, kw_only=True):
    """A fault that comes about at_s (s) after the event's start."""

    at_s: float
    fault: InjectedFault


def read_fault(text: str, event: GuestEvent, profile: Profile) -> PlannedFault:
    """The fault that a text means; BadQuantity says what is wrong with it.

    "KIND, line N, TIME" for most; "tube worn, line N, 30 %, TIME" and "relay slow, line N, 0.2 s, TIME" with an amount;
    "input stuck, CONTACT, open, TIME" (or closed) for an input by its name, such as "drip tray" or "level 3";
    "main relay stuck on, TIME" (or off), and so for the scale's.
    """
    word, *words = [" ".join(part.split()) for part in text.split(",")]
    if word not in KINDS:
        raise BadQuantity(f"{quote(text)}: {quote(word)} is no fault of the bench. There are: {', '.join(KINDS)}.")
    kind, extra = msgspec.convert(word, FaultKind), _EXTRA.get(word)
    place = [] if kind in WITHOUT_PLACE else ["stop" if kind == "input stuck" else "line 3"]
    if len(words) != 1 + len(place) + (extra is not None):
        example = ", ".join([word, *place, *([extra[1]] if extra else []), "20:15"])
        raise BadQuantity(f"{quote(text)}: write it as in {quote(example)}.")
    if kind == "input stuck":
        fault = _contact(text, words)
    elif kind in WITHOUT_PLACE:
        fault = InjectedFault(kind=kind)
    else:
        amount = parse(words[1], extra[0] or "") if extra else 0.0
        fault = InjectedFault(kind=kind, line=_line(text, words[0]), amount=amount)
    try:
        lines, contacts = {line.line for line in profile.lines}, {row.name for row in profile.input_table}
        has_main, has_scale = profile.main_relay is not None, profile.scale is not None
        require_possible(fault, lines, contacts, has_main_relay=has_main, has_scale=has_scale)
    except Refused as error:
        raise BadQuantity(f"{quote(text)}: {error.reason}.") from error
    return PlannedFault(at_s=_at_s(text, words[-1], event), fault=fault)


def _line(text: str, word: str) -> int:
    where = re.fullmatch(r"line ([0-9]{1,2})", word)
    if where is None:
        raise BadQuantity(f'{quote(text)}: {quote(word)} is no line. Write it as in "line 3".')
    return int(where[1])


def _contact(text: str, words: list[str]) -> InjectedFault:
    if words[1] not in ("open", "closed"):
        raise BadQuantity(f"{quote(text)}: a contact is stuck open or closed, not {quote(words[1])}.")
    return InjectedFault(kind="input stuck", contact=words[0], closed=words[1] == "closed")


def _at_s(text: str, time: str, event: GuestEvent) -> float:
    if not re.fullmatch(TIME_OF_DAY, time):
        raise BadQuantity(f'{quote(text)}: {quote(time)} is not a time of day. Write it as in "20:15".')
    at_s = seconds_between(event.starts, time) % DAY_S
    if at_s >= event.lasts_s:
        raise BadQuantity(f"{quote(text)}: {time} is not within the event, {event.starts} to {event.ends}.")
    return at_s
