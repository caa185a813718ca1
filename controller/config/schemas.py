"""JSON Schemas of profile, book and event, from the types that loading uses: editors then complete and check them."""

import inspect
import json
import re
from typing import Any, Literal

import msgspec

from controller.config.keys import Choice, Flag, Group, Key, ListOf, Number, Quantity, Shape, Text, keys_of
from controller.model.book import Book, Dose
from controller.model.event import GuestEvent
from controller.model.profile import Profile
from controller.quantities import NUMBER, format_quantity, reserved_words, spellings

_ROOTS: dict[str, type[msgspec.Struct]] = {"profile": Profile, "book": Book, "event": GuestEvent}


def schema(name: Literal["profile", "book", "event"]) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a file of this name; KeyError for any other name."""
    return schema_of(_ROOTS[name], f"Tundish {name}")


def schema_of(root: type[msgspec.Struct], title: str) -> dict[str, Any]:
    """The JSON Schema of a file that becomes a value of this class."""
    groups: dict[str, Any] = {}
    _describe(root, groups)
    top = groups.pop(root.__name__)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        **top,
        "$defs": dict(sorted(groups.items())),
    }


def schema_text(name: Literal["profile", "book", "event"]) -> str:
    """The schema as a JSON file."""
    return json.dumps(schema(name), indent=2, ensure_ascii=False) + "\n"


def _describe(cls: type[msgspec.Struct], groups: dict[str, Any]) -> None:
    """Add `cls` and every class in it to `groups`, by name."""
    if cls.__name__ in groups:
        return
    keys, (text, notes) = keys_of(cls), _documented(cls)
    groups[cls.__name__] = described = {
        "type": "object",
        "description": _in_keys(cls, text),
        "additionalProperties": False,
        "required": [key.name for key in keys.values() if key.required],
        "properties": {key.name: _property(cls, key, notes.get(key.field, "")) for key in keys.values()},
    }
    if cls is Dose:
        described["oneOf"] = [{"required": [way]} for way in ("volume", "parts", "fill_to")]
    for key in keys.values():
        shape = key.shape.item if isinstance(key.shape, ListOf) else key.shape
        if isinstance(shape, Group):
            _describe(shape.cls, groups)


def _property(cls: type[msgspec.Struct], key: Key, note: str) -> dict[str, Any]:
    found = _shape(key.shape)
    if cls is Dose and isinstance(key.shape, Quantity) and key.field == "volume_ml":
        # Which house measures there are is not for a schema to know; which words can be none is.
        reserved = "|".join(sorted(word for word in reserved_words() if word.replace("_", "").isalpha()))
        found["pattern"] = found["pattern"].replace(")$", f"|(?!(?:{reserved})$)[A-Za-z][A-Za-z_]*)$")
    says = [text for text in (_in_keys(cls, note), _range(key.shape), _default(key)) if text]
    if says:
        found["description"] = "; ".join(says)
    return found


def _documented(cls: type[msgspec.Struct]) -> tuple[str, dict[str, str]]:
    """What the docstring says of the class, and of its fields under "Attributes:"."""
    text, _, attributes = inspect.cleandoc(cls.__doc__ or "").partition("\n\nAttributes:\n")
    found = re.findall(r"^    (\w+): (.+(?:\n {6}.+)*)", attributes, re.MULTILINE)
    return text, {field: " ".join(says.split()) for field, says in found}


def _in_keys(cls: type[msgspec.Struct], text: str) -> str:
    """A text about fields, with the names that they have in files."""
    for key in keys_of(cls).values():
        text = re.sub(rf"\b{key.field}\b", key.name, text)
    return text


def _shape(shape: Shape) -> dict[str, Any]:
    match shape:
        case Group():
            return {"$ref": f"#/$defs/{shape.cls.__name__}"}
        case ListOf():
            return {"type": "array", "items": _shape(shape.item)}
        case Choice():
            return {"enum": list(shape.words)}
        case Flag():
            return {"type": "boolean"}
        case Text():
            pattern = {"pattern": shape.pattern} if shape.pattern else {}
            return {"type": "string", "minLength": shape.shortest, "maxLength": shape.longest, **pattern}
        case Number():
            return {"type": "integer" if shape.whole else "number", **_bounds(shape)}
        case Quantity():
            return _quantity(shape)


def _bounds(shape: Number | Quantity) -> dict[str, float]:
    return {"exclusiveMinimum" if shape.above else "minimum": shape.low, "maximum": shape.high}


def _quantity(shape: Quantity) -> dict[str, Any]:
    sign = "[+-]?" if shape.low < 0 else r"\+?"
    units = "|".join(re.escape(unit).replace(r"\ ", " ") for unit in spellings(shape.unit))
    text = {"type": "string", "pattern": f"^{sign}{NUMBER} *({units})$", "examples": [shape.example]}
    if shape.unit:
        return text
    return {"anyOf": [{"type": "number", **_bounds(shape)}, text]}


def _range(shape: Shape) -> str:
    if not isinstance(shape, Quantity):
        return ""
    low, high = format_quantity(shape.low, shape.unit), format_quantity(shape.high, shape.unit)
    within = f"more than {low}, at most {high}" if shape.above else f"{low} to {high}"
    if shape.usual is not None:
        usual = " to ".join(format_quantity(bound, shape.unit) for bound in shape.usual)
        within += f", usually {usual}"
    return f"{within}: {shape.why}" if shape.why else within


def _default(key: Key) -> str:
    if isinstance(key.shape, Quantity) and isinstance(key.default, float) and not key.required:
        return f"default {format_quantity(key.default, key.shape.unit)}"
    return ""
