"""How the fields of the model are written in files: one Key per field, read from the types and their metadata.

A key is the field's name without its unit (`brim_ml` -> `brim`). Where two fields would share a key (`inrush_a` and
`inrush_s`), each keeps a word for what it measures (`inrush_current`, `inrush_time`).
"""

import functools
import math
from dataclasses import dataclass
from typing import Any, TypeAlias

import msgspec
from msgspec import inspect as shapes

_SUFFIX = {
    "mL": "_ml", "s": "_s", "A": "_a", "V": "_v", "ohm": "_ohm", "mL/s": "_ml_s", "m": "_m", "mm": "_mm",
    "mm2": "_mm2", "kg/m3": "_kg_m3", "mPa*s": "_mpa_s", "kPa": "_kpa", "degC": "_c", "g": "_g", "%": "_percent",
}  # fmt: skip
_WORD = {"A": "_current", "V": "_voltage", "s": "_time"}


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """A number with a unit ("" for a plain fraction), between low and high; low itself is out when `above`.

    usual: outside this it is worth a warning; None where anything between low and high is as good. why: the range.
    """

    unit: str
    example: str
    low: float
    above: bool
    high: float
    usual: tuple[float, float] | None = None
    why: str = ""


@dataclass(frozen=True, kw_only=True)
class Number:
    """A plain number without unit; `whole` for integers."""

    whole: bool
    low: float
    above: bool
    high: float


@dataclass(frozen=True, kw_only=True)
class Text:
    """A text of a length between shortest and longest; `pattern` ("" for none) is what it must look like."""

    shortest: int
    longest: int
    pattern: str = ""


@dataclass(frozen=True, kw_only=True)
class Choice:
    """One of some words."""

    words: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Flag:
    """True or false."""


@dataclass(frozen=True, kw_only=True)
class ListOf:
    """A list."""

    item: "Shape"


@dataclass(frozen=True, kw_only=True)
class Group:
    """A mapping that becomes a value of this class."""

    cls: type[msgspec.Struct]


Leaf: TypeAlias = Quantity | Number | Text | Choice | Flag
Shape: TypeAlias = Leaf | ListOf | Group


@dataclass(frozen=True, kw_only=True)
class Key:
    """One key of a mapping: its name in files, the field it fills, the shape of its value."""

    name: str
    field: str
    shape: Shape
    required: bool
    default: object  # meaningful when not required


@functools.cache
def keys_of(cls: type[msgspec.Struct]) -> dict[str, Key]:
    """The keys that a mapping for `cls` may have, by name, in the order of the class."""
    described = shapes.type_info(cls)
    if not isinstance(described, shapes.StructType):
        raise TypeError(f"{cls!r} is not a value class")
    found = [(one, _shape(one.type)) for one in described.fields]
    short = [_short(one.name, shape) for one, shape in found]
    keys = {}
    for (one, shape), stem in zip(found, short, strict=True):
        name = stem
        if isinstance(shape, Quantity) and short.count(stem) > 1:
            name += _WORD[shape.unit]
        keys[name] = Key(
            name=name,
            field=one.name,
            shape=shape,
            required=one.required,
            default=one.default,
        )
    return keys


def _short(field: str, shape: Shape) -> str:
    return field.removesuffix(_SUFFIX.get(shape.unit, "")) if isinstance(shape, Quantity) else field


def _shape(kind: shapes.Type, extra: dict[str, Any] | None = None) -> Shape:
    match kind:
        case shapes.Metadata():
            return _shape(kind.type, kind.extra)
        case shapes.UnionType():
            return _shape(next(one for one in kind.types if not isinstance(one, shapes.NoneType)), extra)
        case shapes.StructType():
            return Group(cls=kind.cls)
        case shapes.VarTupleType():
            return ListOf(item=_shape(kind.item_type))
        case shapes.LiteralType():
            return Choice(words=tuple(str(word) for word in kind.values))
        case shapes.StrType():
            return Text(shortest=kind.min_length or 0, longest=kind.max_length or 1000, pattern=kind.pattern or "")
        case shapes.BoolType():
            return Flag()
        case shapes.FloatType() | shapes.IntType():
            return _number(kind, extra)
    raise TypeError(f"{kind!r} cannot be written in a file")


def _number(kind: shapes.FloatType | shapes.IntType, extra: dict[str, Any] | None) -> Quantity | Number:
    low = kind.gt if kind.gt is not None else kind.ge if kind.ge is not None else -math.inf
    high = kind.le if kind.le is not None else math.inf
    above = kind.gt is not None
    if extra and "unit" in extra:
        return Quantity(**extra, low=low, above=above, high=high)
    return Number(whole=isinstance(kind, shapes.IntType), low=low, above=above, high=high)
