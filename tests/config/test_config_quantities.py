"""Quantities against exact definitions and handbook tables, and every refusal with both readings."""

import csv
import math
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import BadQuantity
from controller.quantities import (
    awg_mm2,
    format_current,
    format_flow,
    format_mass,
    format_quantity,
    format_time,
    format_volume,
    kind,
    parse,
    spellings,
)

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
UNITS = ("mL", "s", "A", "V", "ohm", "mL/s", "m", "mm", "mm2", "kg/m3", "mPa*s", "kPa", "degC", "g", "%", "")

# Exact: the US gallon is 231 cubic inches of 25.4 mm, the imperial gallon 4.54609 L (128 and 160 fluid ounces).
US_FLOZ_ML = Fraction(231, 128) * Fraction("2.54") ** 3
IMP_FLOZ_ML = Fraction("4546.09") / 160


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1 US_floz", "mL", US_FLOZ_ML),
        ("1.5 US_floz", "mL", US_FLOZ_ML * Fraction(3, 2)),
        ("1 imp_floz", "mL", IMP_FLOZ_ML),
        ("45 mL", "mL", 45),
        ("45mL", "mL", 45),
        ("4.5 cL", "mL", 45),
        ("0.7 L", "mL", 700),
        (".5 l", "mL", 500),
        ("1e2 mL", "mL", 100),
        ("8 ms", "s", Fraction(8, 1000)),
        ("3 days", "s", 259_200),
        ("2 weeks", "s", 1_209_600),
        ("90 min", "s", 5400),
        ("100 mL/min", "mL/s", Fraction(100, 60)),
        ("18 L/h", "mL/s", 5),
        ("0.5 mm2", "mm2", Fraction(1, 2)),
        ("0.5 mm²", "mm2", Fraction(1, 2)),
        ("50 mohm", "ohm", Fraction(5, 100)),
        ("720 mA", "A", Fraction(72, 100)),
        ("1.04 g/mL", "kg/m3", 1040),
        ("1040 kg/m³", "kg/m3", 1040),
        ("12 cP", "mPa*s", 12),
        ("0.012 Pa*s", "mPa*s", 12),
        ("12 mPa·s", "mPa*s", 12),
        ("600 mbar", "kPa", 60),
        ("-20 cm", "m", Fraction(-1, 5)),
        ("0.125 in", "mm", Fraction("3.175")),
        ("1 ft", "m", Fraction("0.3048")),
        ("68 degF", "degC", 20),
        ("-4 °F", "degC", -20),
        ("40 %", "%", 40),
        ("80 %", "", Fraction(8, 10)),
        ("0.8", "", Fraction(8, 10)),
        ("20\u00a0g", "g", 20),
    ],
)
def test_reads_what_people_write(text, unit, value):
    assert parse(text, unit) == pytest.approx(float(value), rel=1e-12)


def test_wire_gauges_have_the_resistance_of_the_handbook():
    """Annealed copper, 0.017241 ohm mm2/m at 20 C (IACS); the handbook prints three to five digits."""
    with (REFERENCE / "awg_handbook.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 13
    for row in rows:
        ohm_per_1000ft = 0.017241 * 304.8 / parse(f"{row['awg']} AWG", "mm2")
        assert ohm_per_1000ft == pytest.approx(float(row["ohm_per_1000ft"]), rel=3e-4), row


def test_gauge_36_is_5_mil_and_gauge_0_is_324_9_mil():
    """ASTM B258 fixes gauge 36 at 0.0050 in and gauge 4/0 at 0.4600 in, with 39 equal ratios between them."""
    assert awg_mm2(36) == pytest.approx(math.pi / 4 * 0.127**2)
    assert math.sqrt(awg_mm2(0) * 4 / math.pi) == pytest.approx(0.46 * 25.4 * (0.005 / 0.46) ** (3 / 39))


# Text, unit, and what the refusal must say.
REFUSED = [
    ("2 oz", "mL", ("is a mass", '"2 US_floz" (59.1 mL)', '"2 imp_floz" (56.8 mL)')),
    ("2 ounces", "mL", ("is a mass", "US_floz", "imp_floz")),
    ("2 fl oz", "mL", ("US or imperial", '"2 US_floz" (59.1 mL)', '"2 imp_floz" (56.8 mL)')),
    ("1 pint", "mL", ('"473 mL" (US)', '"568 mL" (imperial)')),
    ("2 pints", "mL", ('"946 mL" (US)', '"1.137 L" (imperial)')),
    ("1 gill", "mL", ('"118 mL" (US)', '"142 mL" (imperial)')),
    ("1 cup", "mL", ('"237 mL" (US)', '"250 mL" (metric)')),
    ("1 shot", "mL", ('"25 mL" (British)', '"44.4 mL" (US)')),
    ("1 tsp", "mL", ('"4.93 mL" (US)', '"5 mL" (metric)')),
    ("45", "mL", ("has no unit", '"45 mL"', '"45 cL"')),
    ("8", "s", ("has no unit", '"8 s"', '"8 ms"')),
    ("0.4", "%", ("has no unit", '"0.4 %"')),
    ("30 Ml", "mL", ("mega", '"30 ml"')),
    ("30 ML", "mL", ("mega", '"30 mL"')),
    ("400 MA", "A", ("mega", '"400 mA"')),
    ("3 dash", "mL", ("no fixed size", "measures")),
    ("3 dashes", "mL", ("no fixed size", '"dash"')),
    ("2 parts", "mL", ("is a ratio", "parts: 2")),
    ("3 kg", "mL", ("is a mass", "a volume")),
    ("3 mL", "s", ("is a volume", "a time")),
    ("5 V", "A", ("is a voltage", "a current")),
    ("5 mL", "mL/s", ("is a volume", "a flow")),
    ("2 mm", "mm2", ("is a length", "a cross-section")),
    ("22 awg", "mm2", ("did you mean", '"22 AWG"')),
    ("AWG 22", "mm2", ('"22 AWG"',)),
    ("22.5 AWG", "mm2", ("whole numbers",)),
    ("41 AWG", "mm2", ("0 to 40",)),
    ("8 S", "s", ("did you mean", '"8 s"')),
    ("5 furlong", "m", ('"furlong"', "Known: m, cm")),
    ("5 mL mL", "mL", ("did you mean",)),
    ("nan mL", "mL", ("not a finite number",)),
    ("NaN", "mL", ("not a finite number",)),
    ("inf s", "s", ("not a finite number",)),
    (".inf", "s", ("not a finite number",)),
    ("-.inf", "s", ("not a finite number",)),
    ("1e999 mL", "mL", ("too large",)),
    ("-3 mL", "mL", ("is negative", "a volume")),
    ("-1 %", "%", ("is negative",)),
    ("1,5 cL", "mL", ("comma", '"1.5 cL"')),
    ("1_000 mL", "mL", ("underscore", '"1000 mL"')),
    ("017 mL", "mL", ("octal",)),
    ("1:30", "s", ('"90 s"', '"90 min"')),
    ("1/8 in", "mm", ("a fraction", '"0.125 in"')),
    ("٣ mL", "mL", ("not a number with a unit",)),
    ("mL", "mL", ("not a number with a unit",)),
    ("", "mL", ("not a number with a unit",)),
    ("twenty", "g", ("a mass such as",)),
    ("0.8 mL", "", ("is a volume", "a fraction")),
]


@pytest.mark.parametrize(("text", "unit", "parts"), REFUSED)
def test_refuses_what_is_unclear_and_says_what_to_write(text, unit, parts):
    with pytest.raises(BadQuantity) as error:
        parse(text, unit)
    for part in parts:
        assert part in str(error.value)


def test_house_measures_count_only_for_volumes_and_only_when_defined():
    assert parse("2 dash", "mL", {"dash": 0.8}) == pytest.approx(1.6)
    assert parse("2 dashes", "mL", {"dash": 0.8}) == pytest.approx(1.6)
    assert parse("3 barspoons", "mL", {"barspoon": 4.0}) == pytest.approx(12.0)
    with pytest.raises(BadQuantity, match='no unit "dash"'):
        parse("2 dash", "s", {"dash": 0.8})


def test_long_and_odd_texts_stay_short_in_messages():
    with pytest.raises(BadQuantity) as error:
        parse("9 " + "x" * 10_000, "mL")
    assert len(str(error.value)) < 400
    with pytest.raises(BadQuantity) as error:
        parse("9 \x1b[31m\n", "mL")
    assert str(error.value).isprintable()


@pytest.mark.parametrize("unit", UNITS)
def test_every_spelling_reads_and_measures_the_same_kind(unit):
    assert spellings(unit)[0] == unit
    assert kind(unit).startswith(("a ", "an "))
    for written in spellings(unit):
        assert math.isfinite(parse(f"1 {written}", unit))


@pytest.mark.parametrize("unit", [unit for unit in UNITS if unit])
@given(value=st.floats(min_value=1e-3, max_value=1e6))
def test_what_is_written_in_the_field_unit_is_read_back_exactly(unit, value):
    assert parse(f"{value!r} {unit}", unit) == value


@given(text=st.text(max_size=30), unit=st.sampled_from(UNITS))
def test_any_text_is_read_or_refused(text, unit):
    try:
        value = parse(text, unit)
    except BadQuantity as error:
        assert str(error).strip()
    else:
        assert math.isfinite(value)


@pytest.mark.parametrize(
    ("shown", "text"),
    [
        (format_volume(59.147), "59.1 mL"),
        (format_volume(250.0), "250 mL"),
        (format_volume(4.929), "4.93 mL"),
        (format_volume(0.62), "0.62 mL"),
        (format_volume(1250.0), "1.25 L"),
        (format_volume(3000.0), "3 L"),
        (format_volume(0.0), "0 mL"),
        (format_time(0.008), "8 ms"),
        (format_time(41.04), "41 s"),
        (format_time(90.0), "90 s"),
        (format_time(1200.0), "20 min"),
        (format_time(5400.0), "90 min"),
        (format_time(259_200.0), "3 days"),
        (format_mass(15.6), "15.6 g"),
        (format_current(3.4), "3.4 A"),
        (format_current(0.055), "0.055 A"),
        (format_flow(5.0), "5 mL/s"),
        (format_quantity(0.05, "ohm"), "50 mohm"),
        (format_quantity(0.8, ""), "0.8"),
        (format_quantity(1317.0, "kg/m3"), "1317 kg/m3"),
    ],
)
def test_figures_for_people_have_sensible_digits(shown, text):
    assert shown == text
