"""Zero, span and uncertainty of the scale, held against figures of standards and data sheets."""

import math
from random import Random

import pytest
from msgspec.structs import replace

from controller.metering import load_cell
from controller.metering.load_cell import Steady
from controller.metering.load_history import Minute, plateau, slow_findings
from controller.model.scale import Reading, Scale, ScaleSetting, Span

CELL = Scale(converter="i2c", capacity_g=5000.0, platform_g=350.0, output_mv_v=1.0)
PER_G = 429.5


def readings(counts: list[float]) -> list[Reading]:
    return [Reading(number=n, at_s=n / 5, counts=round(one)) for n, one in enumerate(counts)]


def noisy(mean: float, sd: float, count: int, seed: int = 1) -> list[Reading]:
    draw = Random(seed)
    return readings([draw.gauss(mean, sd) for _ in range(count)])


def steady(what: list[Reading]) -> Steady:
    """These readings as one load at rest, which they must be."""
    found = load_cell.steady(what)
    assert found is not None
    return found


def test_one_millivolt_per_volt_makes_two_million_counts():
    """NAU7802 data sheet (Nuvoton, rev 2.1): LSB = VREF / (128 x 2^24); HX711 data sheet: full scale +-0.5 AVDD / 128.

    Worked by hand: 1 mV/V x 3.0 V = 3 mV at 3.0 V / (128 x 2^24) = 1.397 nV a count are 2.147 million, 429.5 a gram of
    5 kg, 2.33 mg a count.
    """
    per_g = load_cell.nominal_counts_per_g(CELL)
    assert per_g == pytest.approx(3.0e-3 / 1.397e-9 / 5000.0, rel=1e-3)
    assert per_g is not None
    assert 1000.0 / per_g == pytest.approx(2.33, abs=0.005)


def test_mean_and_spread_are_those_of_the_noise():
    """NAU7802 data sheet: 50 nV rms at 10 readings a second, 36 counts at 3.0 V."""
    found = [steady(noisy(1e5, 36.0, 100, seed)) for seed in range(200)]
    assert sum(one.spread_counts for one in found) / 200 == pytest.approx(36.0, rel=0.05)
    hits = sum(abs(one.counts - 1e5) <= 2.0 * one.u_counts for one in found)
    assert hits >= 190  # 95 %


def test_a_load_that_was_set_down_meanwhile_is_no_rest():
    counts = [1e5 + n % 7 for n in range(15)] + [3e5 + n % 5 for n in range(15)]
    found = steady(readings(counts))
    assert load_cell.is_restless(found, PER_G)
    assert found.spread_counts < 10
    assert not load_cell.is_restless(steady(noisy(1e5, 100.0, 30)), PER_G)


def test_too_few_readings_say_nothing():
    assert load_cell.steady(noisy(0.0, 10.0, load_cell.LEAST_READINGS - 1)) is None


def test_the_budget_of_a_span_by_hand():
    """500 g of class M1, +-25 mg (OIML R 111-1, from memory), on a 5 kg cell; terms as in EURAMET cg-18 v4.0:

    mass 0.025 / sqrt 3 = 0.0144; readings 10 and 12 counts at 429.5; 0.05 % of 5 kg per 10 K and 1 K: 0.25 / sqrt 3 =
    0.1443; creep 0.05 % of 500 g: 0.1443; non-linearity 4 x 0.05 % x 0.1 x 500 / sqrt 3 = 0.0577; off the centre 0.25 /
    (2 sqrt 3) = 0.0722. Together 0.2274 g, 0.045 %.
    """
    setting = ScaleSetting(zero_counts=0.0, u_zero_counts=12.0, zeroed_wall_s=1.0)
    loaded = replace(steady(noisy(214_750, 30.0, 30)), u_counts=10.0)
    budget = load_cell.span_budget(loaded, setting, CELL, counts_per_g=PER_G, mass_g=500.0, tolerance_g=0.025)
    by_source = {one.source: one.u_g for one in budget}
    assert list(by_source.values()) == pytest.approx([0.0144, 0.0233, 0.0279, 0.1443, 0.1443, 0.0577, 0.0722], abs=5e-5)
    assert load_cell.u_span_g(budget) == pytest.approx(0.2274, abs=5e-4)
    assert {one.evaluation for one in budget if one.source.startswith("reading")} == {"A"}


@pytest.mark.parametrize("load_g", [250.0, 500.0, 1000.0, 2000.0])
def test_such_a_scale_keeps_the_error_limits_of_class_iiii_and_not_of_class_iii(load_g: float):
    """Directive 2014/31/EU (OIML R 76), e = 1 g: class IIII +-0.5 e to 50 e, +-1 e to 200 e, +-1.5 e to 1000 e, twice
    that in service; class III +-0.5 e to 500 e, +-1 e to 2000 e. U = 2u of a cheap cell spanned with 500 g is inside
    in-service IIII limits up to 1 kg, and outside the initial limits of class III from 1 kg on: no scale to sell by.
    """
    setting = ScaleSetting(u_zero_counts=12.0)
    loaded = replace(steady(noisy(214_750, 30.0, 30)), u_counts=10.0)
    budget = load_cell.span_budget(loaded, setting, CELL, counts_per_g=PER_G, mass_g=500.0, tolerance_g=0.1)
    expanded_g = 2.0 * load_cell.u_span_g(budget) / 500.0 * load_g
    if load_g <= 1000.0:
        assert expanded_g <= 2 * (1.0 if load_g <= 200.0 else 1.5)
    if load_g >= 2000.0:
        assert expanded_g > 1.0


def test_creep_and_zero_of_the_cheap_cell_are_worse_than_class_c3():
    """OIML R 60-1:2021, class C3, 5 kg, p = 0.7: v = 5000 / 3000 g, creep 0.735 v = 1.225 g in 30 min."""
    c3_g = 0.7 * 0.7 * 1.5 * 5000.0 / 3000.0
    assert c3_g == pytest.approx(1.225, abs=1e-3)
    assert c3_g < load_cell.CREEP_30_MIN * 5000.0
    assert c3_g < load_cell.ZERO_10_K * 5000.0


@pytest.mark.parametrize(("per_g", "is_odd"), [(429.5, False), (350.0, False), (859.0, True), (214.7, True)])
def test_a_span_that_the_cells_output_does_not_bear_out_is_named(per_g: float, is_odd: bool):
    assert bool(load_cell.span_findings(per_g, CELL)) is is_odd
    assert load_cell.span_findings(per_g, replace(CELL, output_mv_v=None)) == ()


SPANNED = ScaleSetting(span=Span(counts_per_g=PER_G, u_fraction=1e-3, mass_g=500.0, wall_s=0.0))


@pytest.mark.parametrize(
    ("counts", "noise", "is_empty", "named"),
    [
        (0.0, 40.0, True, None),
        (6 * PER_G, 40.0, True, "its zero has drifted"),
        (-6 * PER_G, 40.0, True, "its zero has drifted"),
        (300 * PER_G, 40.0, False, None),
        (300 * PER_G, 4 * PER_G, False, "loose wire"),
    ],
)
def test_readings_at_rest_show_what_is_wrong_with_the_scale(
    counts: float, noise: float, is_empty: bool, named: str | None
):
    found = steady(noisy(counts, noise, 60))
    said = load_cell.findings(found, None, CELL, SPANNED, is_empty=is_empty)
    assert [named is not None and named in one for one in said] == ([True] if named else [])


@pytest.mark.parametrize(("per_s", "is_odd"), [(80, False), (78, False), (40, True), (10, True)])
def test_a_converter_that_is_strapped_to_another_rate_is_named(per_s: int, is_odd: bool):
    """HX711 data sheet: 10 or 80 readings a second by the RATE pin."""
    under_way = [Reading(number=n, at_s=n / per_s, counts=n) for n in range(2 * per_s)]
    said = load_cell.rate_findings(under_way, CELL)
    assert [f"gives {per_s} readings" in one for one in said] == ([True] if is_odd else [])


def minutes(loads_g: list[float]) -> list[Minute]:
    return [Minute(at_s=60.0 * n, load_g=load_g) for n, load_g in enumerate(loads_g)]


def test_a_plateau_ends_where_another_load_begins():
    assert [one.load_g for one in plateau(minutes([0.0, 0.1, 300.0, 300.2, 300.3]))] == [300.0, 300.2, 300.3]
    assert plateau([]) == []


@pytest.mark.parametrize(
    ("loads_g", "named"),
    [
        ([0.3 * n for n in range(31)], "the zero drifts"),  # 9 g in half an hour; 0.05 % of 5 kg per 10 K are 2.5 g
        ([0.05 * n for n in range(31)], None),
        ([2000.0 + 6.0 * (1 - math.exp(-n / 10)) for n in range(31)], "creeps"),  # 0.05 % of 2 kg are 1 g
        ([2000.0 + 1.0 * (1 - math.exp(-n / 10)) for n in range(31)], None),
        ([0.0, 9.0], None),
    ],
)
def test_drift_and_creep_are_told_apart(loads_g: list[float], named: str | None):
    said = slow_findings(minutes(loads_g), CELL)
    assert [named is not None and named in one for one in said] == ([True] if named else [])
