"""Quantities as people write and read them. The only import of pint.

`parse("45 mL", "mL")` gives the float of a field's unit; `format_quantity(0.045, "s")` gives text for people. What can
be written is a closed list per unit (`spellings`), so that nothing is read in a way its writer did not mean.
"""

import functools
import math
import re
import unicodedata
from collections.abc import Collection, Mapping
from difflib import get_close_matches
from typing import TYPE_CHECKING

from controller.errors import BadQuantity

if TYPE_CHECKING:
    import pint

NUMBER = r"(?:(?:0|[1-9][0-9]*)(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"

_VOLUMES = ("mL", "ml", "cL", "cl", "dL", "dl", "L", "l", "uL", "US_floz", "imp_floz")
_TIMES = ("s", "ms", "us", "second", "seconds", "min", "minute", "minutes", "h", "hour", "hours", "day", "days",
          "week", "weeks")  # fmt: skip
_LENGTHS = ("m", "cm", "mm", "um", "in", "ft")

# Field unit -> every spelling it may be written in; the first is what `parse` converts to.
_SPELLINGS: dict[str, tuple[str, ...]] = {
    "mL": _VOLUMES,
    "s": _TIMES,
    "A": ("A", "mA", "uA"),
    "V": ("V", "mV"),
    "ohm": ("ohm", "mohm", "Ω", "mΩ"),
    "mL/s": tuple(f"{volume}/{time}" for volume in _VOLUMES for time in ("s", "min", "h")),
    "m": _LENGTHS,
    "mm": ("mm", "cm", "m", "um", "in"),
    "mm2": ("mm2", "mm²", "mm^2", "cm2", "cm²", "cm^2", "AWG"),
    "kg/m3": ("kg/m3", "kg/m³", "kg/m^3", "kg/L", "kg/l", "g/L", "g/l", "g/mL", "g/ml", "g/cm3", "g/cm³", "g/cm^3"),
    "mPa*s": ("mPa*s", "mPa·s", "mPa.s", "Pa*s", "Pa·s", "Pa.s", "cP"),
    "kPa": ("kPa", "Pa", "hPa", "mbar", "bar"),
    "degC": ("degC", "°C", "degF", "°F"),
    "g": ("g", "mg", "kg"),
    "%": ("%", "percent"),
    "": ("", "%", "percent"),
}

_KIND = {
    "mL": "a volume", "s": "a time", "A": "a current", "V": "a voltage", "ohm": "a resistance", "mL/s": "a flow",
    "m": "a length", "mm": "a length", "mm2": "a cross-section", "kg/m3": "a density", "mPa*s": "a viscosity",
    "kPa": "a pressure", "degC": "a temperature", "g": "a mass", "%": "a percentage", "": "a fraction",
}  # fmt: skip

# What a bare number may have meant, likeliest first.
_READINGS = {
    "mL": ("mL", "cL"), "s": ("s", "ms"), "A": ("A", "mA"), "V": ("V", "mV"), "ohm": ("ohm", "mohm"),
    "mL/s": ("mL/s", "mL/min"), "m": ("m", "cm"), "mm": ("mm", "in"), "mm2": ("mm2", "AWG"),
    "kg/m3": ("kg/m3", "g/mL"), "mPa*s": ("mPa*s", "Pa*s"), "kPa": ("kPa", "mbar"), "degC": ("degC", "degF"),
    "g": ("g", "kg"), "%": ("%",),
}  # fmt: skip

_SIGNED = {"m", "degC"}  # a lift may be below, a temperature under zero

# Measures that mean two things, in mL. US: 231 in3 gallon; imperial: 4.54609 L gallon (exact by definition).
# Metric spoons and cup, shots and jiggers: customary, from memory (UK spirits: 25 or 35 mL, SI 1988/2039).
_TWO_MEANINGS: dict[str, tuple[tuple[str, float], tuple[str, float]]] = {
    "pint": (("US", 473.176473), ("imperial", 568.26125)),
    "gill": (("US", 118.29411825), ("imperial", 142.0653125)),
    "cup": (("US", 236.5882365), ("metric", 250.0)),
    "shot": (("British", 25.0), ("US", 44.36029434375)),
    "jigger": (("British", 25.0), ("US", 44.36029434375)),
    "quart": (("US", 946.352946), ("imperial", 1136.5225)),
    "gallon": (("US", 3785.411784), ("imperial", 4546.09)),
    "tsp": (("US", 4.92892159375), ("metric", 5.0)),
    "teaspoon": (("US", 4.92892159375), ("metric", 5.0)),
    "tbsp": (("US", 14.78676478125), ("metric", 15.0)),
    "tablespoon": (("US", 14.78676478125), ("metric", 15.0)),
}
_FLUID_OUNCES = {"floz", "fl_oz", "fl oz", "fl.oz.", "fl. oz.", "fluid_ounce", "fluid ounce"}
_HOUSE_MEASURES = {"dash", "barspoon", "splash", "drop"}

_KNOWN_MEASURES = _TWO_MEANINGS.keys() | _FLUID_OUNCES | _HOUSE_MEASURES | {"part"}

_DEFINITIONS = """
micro- = 1e-6 = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
deci- = 1e-1 = d-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
metre = [length] = m
second = [time] = s
gram = [mass] = g
ampere = [current] = A
kelvin = [temperature] = K
percent = 0.01 = _
minute = 60 * second = min
hour = 60 * minute = h
day = 24 * hour
week = 7 * day
inch = 25.4 * millimetre = in
foot = 12 * inch = ft
litre = 1e-3 * metre ** 3 = L = l
US_floz = 231 / 128 * inch ** 3
imp_floz = 4.54609 / 160 * litre
newton = kilogram * metre / second ** 2 = N
pascal = newton / metre ** 2 = Pa
bar = 1e5 * pascal
poise = 0.1 * pascal * second = P
volt = newton * metre / second / ampere = V
ohm = volt / ampere
degree_celsius = kelvin; offset: 273.15 = degC
degree_fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF
"""


def spellings(unit: str) -> tuple[str, ...]:
    """Every way to write a field's unit; KeyError for a unit that no field has."""
    return _SPELLINGS[unit]


def reserved_words() -> set[str]:
    """Words that already mean a unit, a mass or a ratio: no house measure may be called so."""
    others = {"oz", "ounce", "ounces", "lb", "part", "parts", "Ml", "ML", *_FLUID_OUNCES}
    return others.union(*_SPELLINGS.values()) - {""}


def kind(unit: str) -> str:
    """What a field's unit measures, with its article: "a volume"."""
    return _KIND[unit]


def quote(text: str) -> str:
    """Text from a file, quoted for a message: one line, at most 40 characters, nothing unprintable."""
    shown = "".join(char if char.isprintable() else "?" for char in text[:41])
    return f'"{shown[:39]}…"' if len(shown) > 40 else f'"{shown}"'


def parse(text: str, unit: str, measures: Mapping[str, float] | None = None) -> float:
    """The float of `unit` that `text` writes ("1.5 US_floz" as "mL": 44.36).

    measures: house measures by name, in mL; they count for volumes only. Raises BadQuantity, whose message begins with
    the text and ends with the way out, for anything that is not a finite number (negative ones only where they make
    sense: degC, m) with a unit of the right kind.
    """
    number, written = _split(text, unit)
    if number < 0 and unit not in _SIGNED:
        raise BadQuantity(f"{quote(text)} is negative; {kind(unit)} cannot be.")
    named = (measures or {}).get(_singular(written, measures or {})) if unit == "mL" else None
    if named is not None:
        value = number * named
    elif written in _SPELLINGS[unit]:
        value = _convert(text, number, written, unit)
    else:
        raise BadQuantity(_wrong_unit(text, number, written, unit))
    if not math.isfinite(value):
        raise BadQuantity(f"{quote(text)} is too large a number.")
    return value


def awg_mm2(gauge: int) -> float:
    """Cross-section (mm2) of a wire of this gauge (AWG, 0 to 40). ASTM B258: d = 0.127 mm * 92^((36 - n) / 39)."""
    diameter_mm = 0.127 * math.pow(92, (36 - gauge) / 39)
    return math.pi / 4 * diameter_mm**2


# --- reading


def _split(text: str, unit: str) -> tuple[float, str]:
    clean = unicodedata.normalize("NFC", text).replace("\u00a0", " ").replace("\u202f", " ").strip(" ")
    match = re.fullmatch(rf"([+-]?)({NUMBER}) *([^0-9.,+\-_ :/].*)?", clean, re.ASCII)
    if match is None:
        raise BadQuantity(_no_number(text, clean, unit))
    sign, digits, written = match.groups(default="")
    return float(sign + digits), written


def _no_number(text: str, clean: str, unit: str) -> str:
    example = _example(unit)
    if re.match(r"[+-]?\.?(nan|inf)", clean, re.IGNORECASE):
        return f"{quote(text)} is not a finite number. Write {kind(unit)} such as {example}."
    if re.fullmatch(r"[0-9]+,[0-9]+ *.*", clean):
        return f"{quote(text)} has a comma. Write the decimal point as a point: {quote(clean.replace(',', '.', 1))}."
    if share := re.fullmatch(r"([0-9]{1,4})/([1-9][0-9]{0,3})( *[^0-9 ].*)?", clean):
        decimal = f"{int(share[1]) / int(share[2]):.4g}{share[3] or ''}"
        return f"{quote(text)} is written as a fraction. Write {quote(decimal)}."
    if re.match(r"[0-9]+_[0-9]", clean):
        return f"{quote(text)} has an underscore in its number. Write {quote(clean.replace('_', ''))}."
    if re.match(r"[+-]?0[0-9]", clean):
        return f"{quote(text)} begins with a zero (some programs read that as octal). Leave the zero out."
    clock = re.fullmatch(r"([0-9]{1,3}):([0-5]?[0-9])(:[0-5]?[0-9])?", clean)
    if clock and unit == "s" and clock[3] is None:
        first, second = int(clock[1]), int(clock[2])
        return f'{quote(text)} may be minutes or hours. Write "{first * 60 + second} s" or "{first * 60 + second} min".'
    if unit == "mm2" and (gauge := re.fullmatch(r"AWG *#?([0-9]+)", clean, re.IGNORECASE)):
        return f'{quote(text)}: write the gauge first: "{gauge[1]} AWG".'
    return f"{quote(text)} is not {_article_number(unit)}. Write {kind(unit)} such as {example}."


def _article_number(unit: str) -> str:
    return "a number with a unit" if unit else "a number"


def _example(unit: str) -> str:
    return '"0.8"' if unit == "" else f'"20 {_SPELLINGS[unit][0]}"'


def _singular(written: str, measures: Collection[str]) -> str:
    """Undo a plural of a measure: dashes, spoons."""
    for ending in ("es", "s"):
        if written not in measures and written.endswith(ending) and written[: -len(ending)] in measures:
            return written[: -len(ending)]
    return written


def _convert(text: str, number: float, written: str, unit: str) -> float:
    if written == "AWG":
        if number != int(number) or not 0 <= number <= 40:
            raise BadQuantity(f'{quote(text)}: AWG gauges are whole numbers from 0 to 40, such as "22 AWG".')
        return awg_mm2(int(number))
    scale, offset = _scale(written, unit)
    return number * scale + offset


@functools.cache
def _scale(written: str, unit: str) -> tuple[float, float]:
    """value in unit = number * scale + offset."""
    if written == _SPELLINGS[unit][0]:
        return 1.0, 0.0
    registry = _registry()
    target = _expression(unit)
    zero = float(registry.Quantity(0.0, _expression(written)).to(target).magnitude)
    one = float(registry.Quantity(1.0, _expression(written)).to(target).magnitude)
    return one - zero, zero


_SIGNS = (("²", "2"), ("³", "3"), ("^", ""), ("·", "*"), (".", "*"), ("°", "deg"), ("Ω", "ohm"), ("%", "percent"))


def _expression(written: str) -> str:
    """A spelling as pint reads it."""
    plain = functools.reduce(lambda text, pair: text.replace(*pair), _SIGNS, written)
    return re.sub(r"(?<=m)([23])$", r"**\1", plain)


@functools.cache
def _registry() -> "pint.UnitRegistry[float]":
    """A registry of just the units above: built in a millisecond, where pint's own takes a tenth of a second."""
    import pint

    registry: pint.UnitRegistry[float] = pint.UnitRegistry(None)
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return registry


# --- refusing


def _wrong_unit(text: str, number: float, written: str, unit: str) -> str:
    if written == "":
        readings = " or ".join(f'"{number:g} {reading}"' for reading in _READINGS[unit])
        return f"{quote(text)} has no unit. Write {readings}."
    if unit == "mL" and (clash := _two_volumes(text, number, written)):
        return clash
    if mega := _mega(text, number, written, unit):
        return mega
    for other, known in _SPELLINGS.items():
        if written in known or (other == "g" and written in {"oz", "ounce", "ounces", "lb"}):
            return f"{quote(text)} is {kind(other)}. Write {kind(unit)} such as {_example(unit)}."
    return _unknown(text, number, written, unit)


def _two_volumes(text: str, number: float, written: str) -> str | None:
    word = _singular(written.lower(), _KNOWN_MEASURES)
    if written.lower() in {"oz", "oz.", "ounce", "ounces"} or word in _FLUID_OUNCES:
        reason = "is a mass" if word not in _FLUID_OUNCES else "may be US or imperial"
        us, imperial = (format_volume(parse(f"{number!r} {name}", "mL")) for name in ("US_floz", "imp_floz"))
        return f'{quote(text)} {reason}. Write "{number:g} US_floz" ({us}) or "{number:g} imp_floz" ({imperial}).'
    if word in _TWO_MEANINGS:
        (one, one_ml), (two, two_ml) = _TWO_MEANINGS[word]
        return (
            f'{quote(text)} may be {one} or {two}. Write "{format_volume(number * one_ml)}" ({one}) '
            f'or "{format_volume(number * two_ml)}" ({two}).'
        )
    if word == "part":
        return f'{quote(text)} is a ratio. Write it under its own key: "parts: {number:g}".'
    if word in _HOUSE_MEASURES:
        return f"{quote(text)} has no fixed size. Write mL, or define {quote(word)} under measures in the book."
    return None


def _mega(text: str, number: float, written: str, unit: str) -> str | None:
    """Ml, MA and the like: the case of one letter is a factor of 1e9."""
    milli = "m" + written[1:]
    if not written.startswith("M") or milli not in _SPELLINGS[unit]:
        return None
    return f'{quote(text)}: "M" is mega, a million; "m" is milli, a thousandth. Write "{number:g} {milli}".'


def _unknown(text: str, number: float, written: str, unit: str) -> str:
    known = [one for one in _SPELLINGS[unit] if one]
    same = [one for one in known if one.lower() == written.lower().replace(" ", "")]
    near = same or get_close_matches(written, known, n=1, cutoff=0.5)
    if near:
        return f'{quote(text)}: there is no unit {quote(written)} here; did you mean "{number:g} {near[0]}"?'
    some = ", ".join(known[:8]) + (", ..." if len(known) > 8 else "")
    return f"{quote(text)}: {quote(written)} is not a unit of {kind(unit).split(' ', 1)[1]}. Known: {some}."


# --- for people


def format_quantity(value: float, unit: str) -> str:
    """Value (in a field's unit) for people, three digits at least: "59.1 mL", "1.25 L", "8 ms", "20 min", "50 mohm"."""
    if unit == "mL" and abs(value) >= 1000:
        return f"{value / 1000:.3f}".rstrip("0").rstrip(".") + " L"
    if unit == "s":
        for size_s, name in ((86_400, "days"), (3600, "h"), (60, "min")):
            if abs(value) >= 2 * size_s:
                return f"{_digits(value / size_s)} {name}"
    if unit in {"s", "ohm"} and 0 < abs(value) < 0.1:
        return f"{_digits(value * 1000)} m{unit}"
    return f"{_digits(value)} {unit}".rstrip()


def _digits(value: float) -> str:
    if not math.isfinite(value) or abs(value) >= 1e9:
        return f"{value:g}"
    size = abs(value)
    decimals = 0 if size >= 100 else 1 if size >= 10 else 2
    if 0 < size < 1:
        decimals = min(9, 2 - math.floor(math.log10(size)))
    digits = f"{value:.{decimals}f}"
    return digits.rstrip("0").rstrip(".") if "." in digits else digits


def format_volume(ml: float) -> str:
    """Millilitres for people: "59.1 mL", "1.25 L"."""
    return format_quantity(ml, "mL")


def format_time(s: float) -> str:
    """Seconds for people: "8 ms", "41 s", "20 min", "3 days"."""
    return format_quantity(s, "s")


def format_mass(g: float) -> str:
    """Grams for people: "15.6 g"."""
    return format_quantity(g, "g")


def format_current(a: float) -> str:
    """Amperes for people: "3.4 A"."""
    return format_quantity(a, "A")


def format_flow(ml_s: float) -> str:
    """Millilitres per second for people: "5 mL/s"."""
    return format_quantity(ml_s, "mL/s")
