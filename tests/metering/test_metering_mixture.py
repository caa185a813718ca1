"""Mixtures held against OIML R 22, and ethanol and standard drinks against examples that authorities have published."""

import pytest

from controller.metering.density import ethanol_g
from controller.metering.mixture import mix
from controller.model.book import Liquid
from controller.model.standard_drinks import GRAMS, standard_drinks

WATER = Liquid(liquid="water")


def spirit(abv_percent):
    return Liquid(liquid="spirit", abv_percent=abv_percent)


# OIML R 22:1975, tables by volume: % vol, % mass, kg/m3 at 20 C.
TABLE = {50.0: (42.4258, 930.142), 40.0: (33.2997, 948.045), 10.0: (8.0149, 984.710)}


@pytest.mark.parametrize(("strong", "weak"), [(50.0, 40.0), (40.0, 10.0), (50.0, 10.0)])
def test_diluting_changes_the_volume_as_the_tables_of_oiml_r_22_say(strong, weak):
    """100 mL of the stronger, and the water that makes it the weaker by mass: the volume follows from the tables.

    (From 50 to 40 % vol it contracts by half a millilitre; from 40 to 10 % vol it expands by as much.)
    """
    strong_percent, strong_kg_m3 = TABLE[strong]
    weak_percent, weak_kg_m3 = TABLE[weak]
    strong_g = 100.0 * strong_kg_m3 / 1000.0
    whole_g = strong_g * strong_percent / weak_percent
    water_ml = (whole_g - strong_g) / 0.99820  # water at 20 C
    mixed = mix([(spirit(strong), 100.0), (WATER, water_ml)])
    assert mixed.volume_ml == pytest.approx(1000.0 * whole_g / weak_kg_m3, abs=0.01)
    assert mixed.abv_percent == pytest.approx(weak, abs=0.002)
    assert mixed.ethanol_g == pytest.approx(strong_g * strong_percent / 100.0, rel=2e-5)


def test_a_liquid_alone_stays_what_it_is_and_sugar_changes_the_contraction_little():
    gin = Liquid(liquid="sloe gin", abv_percent=26.0, brix=20.0)
    alone = mix([(gin, 50.0)])
    assert (alone.volume_ml, alone.abv_percent) == pytest.approx((50.0, 26.0))
    with_sugar = mix([(gin, 50.0), (WATER, 110.0)])
    without = mix([(spirit(26.0), 50.0), (WATER, 110.0)])
    assert with_sugar.ethanol_g == pytest.approx(without.ethanol_g)
    assert with_sugar.volume_ml == pytest.approx(without.volume_ml, abs=1.0)


def test_a_drink_without_alcohol_has_none():
    mixed = mix([(WATER, 100.0), (Liquid(liquid="syrup", brix=50.0), 20.0)])
    assert (mixed.ethanol_g, mixed.abv_percent, mixed.volume_ml) == (0.0, 0.0, 120.0)


@pytest.mark.parametrize(
    ("country", "volume_ml", "abv_percent", "drinks"),
    [
        # alcohol.org.nz, "What's a standard drink": litres x % vol x 0.789; 0.5 L of 5 %.
        ("New Zealand", 500.0, 5.0, 1.97),
        # NHS, "Alcohol units": % vol x mL / 1000; 500 mL of 5 %, 750 mL of 13 %, a pint (568 mL) of 5.2 %.
        ("United Kingdom", 500.0, 5.0, 2.5),
        ("United Kingdom", 750.0, 13.0, 9.75),
        ("United Kingdom", 568.0, 5.2, 2.95),
        # NIAAA, "What is a standard drink": 12 fl oz of 5 %, 5 fl oz of 12 %, 1.5 fl oz of 40 % (fl oz 29.5735 mL).
        ("United States", 12 * 29.5735, 5.0, 1.0),
        ("United States", 5 * 29.5735, 12.0, 1.0),
        ("United States", 1.5 * 29.5735, 40.0, 1.0),
        # Canada: a bottle of 341 mL with 5 % is one.
        ("Canada", 341.0, 5.0, 1.0),
    ],
)
def test_standard_drinks_come_out_as_the_authorities_reckon_them(country, volume_ml, abv_percent, drinks):
    assert standard_drinks(ethanol_g(volume_ml, abv_percent), country) == pytest.approx(drinks, abs=0.005)


def test_every_country_has_a_definition_within_what_is_published():
    """Published definitions run from 8 to 20 g (Kalinowski & Humphreys, Addiction 2016); a UK unit is 7.9 g."""
    assert all(7.8 <= grams <= 20.0 for grams in GRAMS.values())
