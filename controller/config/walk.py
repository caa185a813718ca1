"""From a tree of nodes to frozen values, driven by the types of the model; no problem stops the rest."""

from collections.abc import Mapping as ReadOnly
from difflib import get_close_matches

import msgspec

from controller.config.diagnostics import Found, Notes
from controller.config.keys import Choice, Flag, Group, Key, Leaf, ListOf, Number, Quantity, Shape, Text, keys_of
from controller.config.nodes import Mapping, Node, Scalar, Sequence
from controller.config.scalars import about, is_null, read_scalar, unusual
from controller.errors import BadQuantity
from controller.model.book import Dose, OnLine
from controller.model.header import HEADER
from controller.model.wiring import LevelSwitch
from controller.quantities import quote

_MERGE = "<<"
_LABELS = {Dose: "dose of {}", OnLine: "line {}", LevelSwitch: "level switch of line {}"}


class Walker:
    """Reads nodes of one file. `measures` are the house measures (mL) that doses may use."""

    def __init__(self, notes: Notes, measures: ReadOnly[str, float]) -> None:
        self._notes, self._measures = notes, measures

    def read(self, node: Node, shape: Shape, subject: str, key: Key | None = None) -> Found:
        """The value of `node` as `shape`; `subject` names it in messages."""
        found = Found(line=node.line, column=node.column)
        if isinstance(node, Scalar) and is_null(node):
            self._notes.add(node, subject, "there is no value here.")
            return found
        match shape, node:
            case Group(cls=cls), Mapping():
                found.cls = cls
                self._read_group(node, cls, subject, found)
            case ListOf(item=item), Sequence():
                self._read_list(node, item, subject, found)
            case ((Group() | ListOf()), _):
                wanted = "a mapping (key: value)" if isinstance(shape, Group) else 'a list (items that begin with "- ")'
                self._notes.add(node, subject, f"{_kind(node)} stands where {wanted} belongs.")
            case (Quantity() | Number() | Text() | Choice() | Flag()) as leaf, Scalar():
                self._read_scalar(node, leaf, subject, found, self._measures if _is_dose_volume(key) else {})
            case (Quantity() | Number() | Text() | Choice() | Flag()) as leaf, _:
                self._notes.add(node, subject, f"{_kind(node)} stands where {about(leaf)} belongs.")
        return found

    def _read_scalar(
        self, node: Scalar, leaf: Leaf, subject: str, found: Found, measures: ReadOnly[str, float]
    ) -> None:
        try:
            found.value = read_scalar(node, leaf, measures)
            if odd := unusual(node, leaf, found.value):
                self._notes.warn(node, subject, odd)
        except BadQuantity as error:
            hint = _header_pin(node.text) if subject.endswith(" gpio") else ""
            self._notes.add(node, subject, f"{error}{hint}")

    def _read_list(self, node: Sequence, item: Shape, subject: str, found: Found) -> None:
        head, _, last = subject.rpartition(" ")
        for number, one in enumerate(node.items, start=1):
            name = f"{head} {last.removesuffix('s')} {number}".strip()
            found.items.append(self.read(one, item, name))
        if all(one.value is not None for one in found.items):
            found.value = tuple(one.value for one in found.items)

    def _read_group(self, node: Mapping, cls: type[msgspec.Struct], subject: str, found: Found) -> None:
        keys = keys_of(cls)
        entries = self._entries(node, subject)
        subject = _label(cls, entries) or subject
        for name, (scalar, value) in entries.items():
            key = keys.get(name)
            if key is None:
                self._notes.add(scalar, subject, _unknown(name, keys, entries))
                continue
            inner = subject if cls is Dose and name == "volume" else f"{subject} {name}".strip()
            found.fields[key.field] = self.read(value, key.shape, inner, key if cls is Dose else None)
        missing = [key for key in keys.values() if key.required and key.name not in entries]
        for key in missing:
            self._notes.add(node, subject, f'the key "{key.name}" is missing{_wanted(key)}.')
        if not missing and all(one.value is not None for one in found.fields.values()):
            found.value = cls(**{name: one.value for name, one in found.fields.items()})

    def _entries(self, node: Mapping, subject: str) -> dict[str, tuple[Scalar, Node]]:
        """Keys with their values, merge keys ("<<") written out: what stands in the mapping itself wins."""
        entries: dict[str, tuple[Scalar, Node]] = {}
        for key, value in node.pairs:
            if key.text != _MERGE or not key.plain:
                entries.setdefault(key.text, (key, value))
        for key, value in node.pairs:
            if key.text != _MERGE or not key.plain:
                continue
            for merged in value.items if isinstance(value, Sequence) else [value]:
                if not isinstance(merged, Mapping):
                    self._notes.add(key, subject, '"<<" takes an alias of a mapping, or a list of such aliases.')
                    continue
                for name, pair in self._entries(merged, subject).items():
                    entries.setdefault(name, pair)
        return entries


def _is_dose_volume(key: Key | None) -> bool:
    return key is not None and key.field == "volume_ml"


def _header_pin(text: str) -> str:
    """Says which GPIO sits on a header pin, for those who gave that number instead."""
    gpios = {str(pin.header_pin): pin.gpio for pin in HEADER.values()}
    return f" GPIOs go by BCM number: header pin {text} is GPIO {gpios[text]}." if text in gpios else ""


def _kind(node: Node) -> str:
    if isinstance(node, Scalar):
        return f"{quote(node.text)}"
    return "a mapping" if isinstance(node, Mapping) else "a list"


def _label(cls: type[msgspec.Struct], entries: ReadOnly[str, tuple[Scalar, Node]]) -> str | None:
    """How messages call a value that has a name of its own: "line 4", "dose of ginger syrup"."""
    first = cls.__struct_fields__[0]
    pattern = _LABELS.get(cls) or (f"{first} {{}}" if first == cls.__name__.lower() else None)
    name = entries[first][1] if first in entries else None
    if pattern is None or not isinstance(name, Scalar) or is_null(name):
        return None
    return pattern.format(quote(name.text)[1:-1])


def _unknown(name: str, keys: ReadOnly[str, Key], entries: ReadOnly[str, object]) -> str:
    free = [one for one in keys if one not in entries]
    by_field = [key.name for key in keys.values() if key.field == name]
    near = by_field or get_close_matches(name, free, n=1, cutoff=0.6)
    hint = f"Did you mean {quote(near[0])}?" if near else f"Known: {', '.join(keys)}."
    return f"the key {quote(name)} is not known. {hint}"


def _wanted(key: Key) -> str:
    if isinstance(key.shape, Group | ListOf):
        return ""
    return f": {about(key.shape)}"
