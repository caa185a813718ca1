"""One scalar of a file, read strictly as what its field wants. Every function raises BadQuantity with a remedy."""

import math
import re
from collections.abc import Mapping
from difflib import get_close_matches

import yaml

from controller.config.keys import Choice, Flag, Leaf, Number, Quantity, Text
from controller.config.nodes import Scalar
from controller.errors import BadQuantity
from controller.quantities import NUMBER, format_quantity, kind, parse, quote

_YAML_1_1 = yaml.SafeLoader("")  # its table of what plain words turn into elsewhere
_NULLS = {"", "~", "null", "Null", "NULL"}


def is_null(node: Scalar) -> bool:
    """Whether nothing stands after the key."""
    return node.plain and node.text in _NULLS


def read_scalar(node: Scalar, shape: Leaf, measures: Mapping[str, float]) -> object:
    """The value; BadQuantity says what is wrong with it and what to write."""
    match shape:
        case Quantity():
            return _read_quantity(node, shape, measures)
        case Number():
            return _read_number(node, shape)
        case Text():
            return _read_text(node, shape)
        case Choice():
            return _read_choice(node, shape)
        case Flag():
            return _read_flag(node)


def _read_quantity(node: Scalar, shape: Quantity, measures: Mapping[str, float]) -> float:
    value = parse(node.text, shape.unit, measures)
    low, high = (format_quantity(bound, shape.unit) for bound in (shape.low, shape.high))
    because = f": {shape.why}" if shape.why else ""
    if value < shape.low or (shape.above and value <= shape.low):
        least = f"above {low}" if shape.above else f"at least {low}"
        raise BadQuantity(f"{quote(node.text)} is too little; it must be {least}{because}.")
    if value > shape.high:
        raise BadQuantity(f"{quote(node.text)} is too much; the most is {high}{because}.")
    return value


def unusual(node: Scalar, shape: Leaf, value: object) -> str:
    """What is odd about a value that is within its range, "" when nothing is."""
    if not isinstance(shape, Quantity) or shape.usual is None or not isinstance(value, float):
        return ""
    low, high = shape.usual
    if low <= value <= high:
        return ""
    usual = f"{format_quantity(low, shape.unit)} to {format_quantity(high, shape.unit)}"
    return f"{quote(node.text)} is unusual; {usual} is common: {shape.why}. See that it is meant."


def _read_number(node: Scalar, shape: Number) -> float | int:
    text, wanted = node.text, "a whole number" if shape.whole else "a number"
    if not node.plain:
        raise BadQuantity(f"{quote(text)} must be {wanted}: take the quotes away.")
    if re.fullmatch(r"[+-]?0[0-9]+", text):
        raise BadQuantity(f"{quote(text)} begins with a zero, which YAML readers take for octal. Write {int(text)}.")
    if re.fullmatch(r"[0-9]+(_[0-9]+)+", text):
        raise BadQuantity(f"{quote(text)} has an underscore. Write {text.replace('_', '')}.")
    if re.fullmatch(r"[+-]?\.?(nan|inf)", text, re.IGNORECASE):
        raise BadQuantity(f"{quote(text)} is not a finite number. Write {wanted}.")
    if not re.fullmatch(r"[+-]?[0-9]{1,15}" if shape.whole else rf"[+-]?{NUMBER}", text, re.ASCII):
        raise BadQuantity(f"{quote(text)} is not {wanted}.")
    value = int(text) if shape.whole else float(text)
    if not math.isfinite(value):
        raise BadQuantity(f"{quote(text)} is too large a number.")
    if value < shape.low or (shape.above and value <= shape.low):
        least = f"above {shape.low:g}" if shape.above else f"at least {shape.low:g}"
        raise BadQuantity(f"{text} is too little; it must be {least}.")
    if value > shape.high:
        raise BadQuantity(f"{text} is too much; the most is {shape.high:g}.")
    return value


def _read_text(node: Scalar, shape: Text) -> str:
    text = node.text
    if node.plain and (other := _other_reading(text)):
        raise BadQuantity(f"{quote(text)} without quotes is {other} to YAML readers. Put it in quotes.")
    if text != text.strip() or not text.isprintable():
        raise BadQuantity(f"{quote(text)} must be one line of printable characters without spaces at its ends.")
    if len(text) < shape.shortest:
        raise BadQuantity("the text is empty.")
    if len(text) > shape.longest:
        raise BadQuantity(f"{quote(text)} is {len(text)} characters long; the most is {shape.longest}.")
    return text


def _other_reading(text: str) -> str | None:
    """What YAML 1.1 turns a plain word into, None when it stays a text."""
    if text in {"y", "Y", "n", "N"}:
        return "true or false"
    # The method is not annotated in the stubs.
    tag = str(_YAML_1_1.resolve(yaml.ScalarNode, text, (True, False))).rsplit(":", 1)[1]  # type: ignore[no-untyped-call]
    words = {"bool": "true or false", "int": "a number", "float": "a number", "timestamp": "a date", "null": "nothing"}
    return None if tag == "str" else words.get(tag, "a special sign")


def _read_choice(node: Scalar, shape: Choice) -> str:
    if node.text in shape.words:
        return node.text
    near = get_close_matches(node.text.lower().replace(" ", "_").replace("-", "_"), shape.words, n=1, cutoff=0.5)
    hint = f" Did you mean {near[0]}?" if near else ""
    raise BadQuantity(f"{quote(node.text)} is not one of: {', '.join(shape.words)}.{hint}")


def _read_flag(node: Scalar) -> bool:
    if node.plain and node.text in {"true", "false"}:
        return node.text == "true"
    raise BadQuantity(f"{quote(node.text)} is neither true nor false. Write one of the two, without quotes.")


def about(shape: Leaf) -> str:
    """What belongs here, for a message about a missing value."""
    match shape:
        case Quantity():
            return f'{kind(shape.unit)} such as "{shape.example}"'
        case Number():
            return "a whole number" if shape.whole else "a number"
        case Text():
            return "a text"
        case Choice():
            return f"one of: {', '.join(shape.words)}"
        case Flag():
            return "true or false"
