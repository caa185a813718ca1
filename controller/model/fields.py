"""Field types: plain floats whose unit, range and spelling in files travel with them as metadata.

A field is named with its unit (`brim_ml`); in a file a person writes the key without it (`brim: 250 mL`).
`controller.config` reads the metadata to parse, to report and to write the JSON Schema: no field is described twice.
"""

from typing import Annotated, Any, TypeVar

import msgspec
from msgspec import Meta


class Value(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value checked once when it is built from a file or a message, and never changed."""


T = TypeVar("T", bound=Value)


def like(kind: type[T], /, *sources: object, **more: Any) -> T:
    """A value of this kind: its fields as `more` gives them, else as the first source with such an attribute has it."""
    for source in sources:
        names = [name for name in kind.__struct_fields__ if name not in more and hasattr(source, name)]
        more |= {name: getattr(source, name) for name in names}
    return kind(**more)


def ranged(
    unit: str,
    example: str,
    *,
    low: float = 0.0,
    above: bool = False,
    high: float,
    usual: tuple[float, float] | None = None,
    why: str = "",
) -> Meta:
    """A quantity from low (itself out when `above`) to high, because `why`; outside `usual` files are warned of."""
    extra = {"unit": unit, "example": example, "usual": usual, "why": why}
    return Meta(gt=low, le=high, extra=extra) if above else Meta(ge=low, le=high, extra=extra)


Millilitres = Annotated[float, ranged("mL", "45 mL", above=True, high=50_000.0)]
MillilitresOrNone = Annotated[float, ranged("mL", "0 mL", high=50_000.0)]
Seconds = Annotated[float, ranged("s", "8 s", high=86_400.0)]
PositiveSeconds = Annotated[float, ranged("s", "90 s", above=True, high=86_400.0)]
ShelfLife = Annotated[float, ranged("s", "14 days", above=True, high=10 * 365 * 86_400.0)]
Volts = Annotated[float, ranged("V", "12 V", above=True, high=48.0, why="beside liquids it stays at extra-low voltage")]
Ohms = Annotated[float, ranged("ohm", "50 mohm", high=10.0)]
Metres = Annotated[float, ranged("m", "0.6 m", high=50.0)]
SignedMetres = Annotated[float, ranged("m", "0.2 m", low=-10.0, high=10.0)]
Millimetres = Annotated[float, ranged("mm", "2 mm", above=True, high=50.0)]
SquareMillimetres = Annotated[float, ranged("mm2", "22 AWG", above=True, high=20.0)]
KilogramsPerCubicMetre = Annotated[float, ranged("kg/m3", "1040 kg/m3", low=500.0, high=2000.0)]
MillipascalSeconds = Annotated[float, ranged("mPa*s", "12 mPa*s", above=True, high=100_000.0)]
Kilopascals = Annotated[float, ranged("kPa", "60 kPa", above=True, high=100.0)]
Celsius = Annotated[float, ranged("degC", "20 degC", low=-20.0, high=60.0)]
Percent = Annotated[float, ranged("%", "40 %", high=100.0)]
Fraction = Annotated[float, ranged("", "0.8", above=True, high=1.0)]

Gpio = Annotated[int, Meta(ge=0, le=27)]
LineNumber = Annotated[int, Meta(ge=1, le=64)]
Count = Annotated[int, Meta(ge=1, le=1_000_000)]
Name = Annotated[str, Meta(min_length=1, max_length=60)]
Sentence = Annotated[str, Meta(min_length=1, max_length=200)]
