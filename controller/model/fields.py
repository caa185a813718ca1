"""Field types: plain floats whose unit, range and spelling in files travel with them as metadata.

A field is named with its unit (`brim_ml`); in a file a person writes the key without it (`brim: 250 mL`).
`controller.config` reads the metadata to parse, to report and to write the JSON Schema: no field is described twice.
"""

from typing import Annotated

import msgspec
from msgspec import Meta


class Value(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value checked once when it is built from a file or a message, and never changed."""


def _unit(unit: str, example: str, *, low: float = 0.0, above: bool = False, high: float) -> Meta:
    extra = {"unit": unit, "example": example}
    return Meta(gt=low, le=high, extra=extra) if above else Meta(ge=low, le=high, extra=extra)


Millilitres = Annotated[float, _unit("mL", "45 mL", above=True, high=50_000.0)]
MillilitresOrNone = Annotated[float, _unit("mL", "0 mL", high=50_000.0)]
Seconds = Annotated[float, _unit("s", "8 ms", high=1e9)]
PositiveSeconds = Annotated[float, _unit("s", "90 s", above=True, high=1e9)]
Amperes = Annotated[float, _unit("A", "0.4 A", above=True, high=100.0)]
AmperesOrNone = Annotated[float, _unit("A", "0 A", high=100.0)]
Volts = Annotated[float, _unit("V", "12 V", above=True, high=48.0)]
Ohms = Annotated[float, _unit("ohm", "50 mohm", high=10.0)]
MillilitresPerSecond = Annotated[float, _unit("mL/s", "100 mL/min", above=True, high=200.0)]
Metres = Annotated[float, _unit("m", "0.6 m", high=50.0)]
SignedMetres = Annotated[float, _unit("m", "0.2 m", low=-10.0, high=10.0)]
Millimetres = Annotated[float, _unit("mm", "2 mm", above=True, high=50.0)]
SquareMillimetres = Annotated[float, _unit("mm2", "22 AWG", above=True, high=20.0)]
KilogramsPerCubicMetre = Annotated[float, _unit("kg/m3", "1040 kg/m3", low=500.0, high=2000.0)]
MillipascalSeconds = Annotated[float, _unit("mPa*s", "12 mPa*s", above=True, high=100_000.0)]
Kilopascals = Annotated[float, _unit("kPa", "60 kPa", above=True, high=100.0)]
Celsius = Annotated[float, _unit("degC", "20 degC", low=-20.0, high=60.0)]
Grams = Annotated[float, _unit("g", "20 g", above=True, high=10_000.0)]
Percent = Annotated[float, _unit("%", "40 %", high=100.0)]
Fraction = Annotated[float, _unit("", "0.8", above=True, high=1.0)]

Gpio = Annotated[int, Meta(ge=0, le=27)]
LineNumber = Annotated[int, Meta(ge=1, le=64)]
Count = Annotated[int, Meta(ge=1, le=1_000_000)]
Name = Annotated[str, Meta(min_length=1, max_length=60)]
Sentence = Annotated[str, Meta(min_length=1, max_length=200)]
