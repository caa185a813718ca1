"""Densities against published tables and reference libraries."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import OutOfRange, Refused
from controller.metering import coefficients
from controller.metering.density import (
    abv_percent_of_mass,
    ethanol_g,
    ethanol_water_by_mass_kg_m3,
    liqueur_kg_m3,
    liquid_kg_m3,
    mass_fraction_of_abv,
    sucrose_kg_m3,
    water_kg_m3,
)
from controller.model.book import Liquid
from tests.metering.published import rows, values

WATER = rows("water_density.csv")


@pytest.mark.parametrize("row", WATER, ids=lambda row: f"{row['t_C']} C")
def test_water_density_matches_tanaka(row):
    # Tanaka et al., Metrologia 38 (2001) 301-309, table printed to 0.0001 kg/m3.
    assert water_kg_m3(float(row["t_C"])) == pytest.approx(float(row["rho_tanaka2001_kg_m3"]), abs=6e-5)


@pytest.mark.parametrize("row", WATER, ids=lambda row: f"{row['t_C']} C")
def test_water_density_matches_iapws_95_within_two_parts_per_million(row):
    # IAPWS-95 as two libraries have it.
    assert water_kg_m3(float(row["t_C"])) == pytest.approx(float(row["rho_iapws95_iapws1.5.5_kg_m3"]), abs=0.002)
    assert water_kg_m3(float(row["t_C"])) == pytest.approx(float(row["rho_coolprop8.0.0_kg_m3"]), abs=0.002)


@pytest.mark.parametrize("temperature_c", [0.7, 3.98, 12.3, 21.5, 33.3, 39.9])
def test_water_between_the_table_s_rows_agrees_with_coolprop(temperature_c):
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    outside = coolprop.PropsSI("D", "T", temperature_c + 273.15, "P", 101325.0, "Water")
    assert water_kg_m3(temperature_c) == pytest.approx(outside, abs=0.002)


def test_all_54_coefficients_are_those_of_the_recommendation():
    published = values("oiml_r22_coefficients.json")
    assert list(coefficients.OIML_A) == published["A"]
    assert list(coefficients.OIML_B) == published["B"]
    assert [list(row) for row in coefficients.OIML_C] == published["C"]
    assert len(published["A"]) + len(published["B"]) + sum(map(len, published["C"])) == 54


@pytest.mark.parametrize("row", rows("oiml_r22_by_volume.csv"), ids=lambda row: f"{row['abv_percent_at_20C']} % vol")
def test_ethanol_water_by_volume(row):
    abv_percent = float(row["abv_percent_at_20C"])
    assert mass_fraction_of_abv(abv_percent) == pytest.approx(float(row["mass_fraction"]), abs=6e-7)
    for key, density in row.items():
        if key.startswith("rho_kg_m3_"):
            temperature_c = float(key.removeprefix("rho_kg_m3_").removesuffix("C"))
            assert ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(abv_percent), temperature_c) == pytest.approx(
                float(density), abs=6e-4
            )
    assert ethanol_g(100.0, abv_percent) == pytest.approx(float(row["ethanol_g_per_100mL_at_20C"]), abs=6e-5)


@pytest.mark.parametrize(
    ("percent_mass", "relative_density"),
    [
        (10, 0.98187), (20, 0.96864), (30, 0.95382), (40, 0.93518), (50, 0.91384),
        (60, 0.89113), (70, 0.86766), (80, 0.84344), (90, 0.81797), (100, 0.78934),
    ],
)  # fmt: skip
def test_ethanol_water_by_mass_agrees_with_the_handbook(percent_mass, relative_density):
    # Perry's Chemical Engineers' Handbook, densities of ethyl alcohol and water, 20 C / 4 C (from US Bureau of
    # Standards Circular 19); from memory. The handbook's older alcohol is 0.1 kg/m3 denser.
    outside = 999.97 * relative_density
    assert ethanol_water_by_mass_kg_m3(percent_mass / 100, 20.0) == pytest.approx(outside, abs=0.15)


def test_forty_percent_and_pure_ethanol():
    # OIML R 22, table of densities by volume: 948.05 at 40 % vol (from memory); pure ethanol 789.24, its erratum.
    assert ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(40.0), 20.0) == pytest.approx(948.05, abs=0.01)
    assert ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(100.0), 20.0) == pytest.approx(789.24, abs=0.002)


# The recommendation's pure ethanol is 789.2391 by its formula and 789.24 by definition: 99.9999 % vol is the top.
@settings(deadline=None)
@given(st.floats(0.0, 99.9998))
def test_strength_and_mass_fraction_turn_into_each_other(abv_percent):
    assert abv_percent_of_mass(mass_fraction_of_abv(abv_percent)) == pytest.approx(abv_percent, abs=1e-9)


@pytest.mark.parametrize("row", rows("sucrose.csv"), ids=lambda row: f"{row['sucrose_mass_percent']} Brix")
def test_sucrose(row):
    brix = float(row["sucrose_mass_percent"])
    # ICUMSA polynomial, printed to 0.01 kg/m3; CRC handbook, printed to 0.1 kg/m3, within 0.9 at the thick end.
    assert sucrose_kg_m3(brix, 20.0) == pytest.approx(float(row["rho20_icumsa_formula_kg_m3"]), abs=0.006)
    assert sucrose_kg_m3(brix, 20.0) == pytest.approx(float(row["rho20_crc_kg_m3"]), abs=0.3 if brix <= 70 else 0.9)


@pytest.mark.parametrize(
    ("brix", "density_25_c"), [(10, 1036.73), (40, 1174.45), (50, 1227.37), (60, 1284.14), (65, 1314.00)]
)
def test_sucrose_at_25_c(brix, density_25_c):
    # ICUMSA SPS-4, worked out by other code from the published coefficients.
    assert sucrose_kg_m3(brix, 25.0) == pytest.approx(density_25_c, abs=0.006)


def test_sucrose_coefficients_are_those_published():
    assert [list(row) for row in coefficients.ICUMSA_C] == values("sucrose_icumsa_coefficients.json")["c"]


@pytest.mark.parametrize("temperature_c", [0.0, 8.0, 20.0, 35.0])
def test_a_liqueur_without_sugar_or_alcohol_is_the_published_formula(temperature_c):
    assert liqueur_kg_m3(40.0, 0.0, temperature_c)[0] == pytest.approx(
        ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(40.0), temperature_c), abs=1e-6
    )
    assert liqueur_kg_m3(0.0, 50.0, temperature_c)[0] == pytest.approx(sucrose_kg_m3(50.0, temperature_c), abs=0.02)


def test_a_liqueur_holds_the_ethanol_that_its_label_says():
    abv_percent, brix = 26.0, 25.0
    density, u_density = liqueur_kg_m3(abv_percent, brix, 20.0)
    # One litre: 260 mL of ethanol and a quarter of the mass in sugar; what is left is water. Volumes of the parts, not
    # contracted, exceed the litre by the contraction of spirit (at most 4 %, OIML R 22).
    ethanol, sugar = 0.26 * 789.24, 0.25 * density
    water = density - ethanol - sugar
    uncontracted_m3 = 0.26 + water / 998.2 + sugar / 1587.0  # crystalline sucrose: 1587 kg/m3 (CRC handbook)
    assert 1.0 < uncontracted_m3 < 1.04
    assert 3.0 < u_density < 10.0


def test_more_alcohol_than_the_sugar_leaves_room_for_is_refused():
    with pytest.raises(Refused, match="too little water"):
        liqueur_kg_m3(60.0, 60.0, 20.0)


def test_a_given_density_counts_and_moves_with_temperature():
    cordial = Liquid(liquid="lime cordial", density_kg_m3=1150.0, brix=30.0)
    assert liquid_kg_m3(cordial, 20.0) == (1150.0, 0.5)
    cold, _ = liquid_kg_m3(cordial, 5.0)
    assert cold / 1150.0 == pytest.approx(sucrose_kg_m3(30.0, 5.0) / sucrose_kg_m3(30.0, 20.0), rel=1e-5)


def test_a_liquid_s_label_sets_its_uncertainty():
    water, u_water = liquid_kg_m3(Liquid(liquid="cold tea", brix=0.0), 20.0)
    juice, u_juice = liquid_kg_m3(Liquid(liquid="apple juice", brix=11.0), 20.0)
    perry, u_perry = liquid_kg_m3(Liquid(liquid="perry", abv_percent=6.0, brix=0.0), 20.0)
    assert (water, juice, perry) == pytest.approx(
        (998.2, sucrose_kg_m3(11.0, 20.0), ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(6.0), 20.0)), abs=0.02
    )
    assert u_water < 0.3 < u_perry < u_juice  # a quarter of a Brix is 1 kg/m3, 0.3 % vol is 0.4 kg/m3
    assert u_juice == pytest.approx(0.25 * 4.2, rel=0.1)  # 4.2 kg/m3 per Brix at 11 Brix, CRC handbook
    rough = Liquid(liquid="apple juice", brix=11.0, brix_uncertainty_percent=1.0)
    assert liquid_kg_m3(rough, 20.0)[1] == pytest.approx(4.2, rel=0.1)


def test_the_density_of_an_undescribed_liquid_spans_juice_and_syrup():
    unknown, u_unknown = liquid_kg_m3(Liquid(liquid="elderflower cordial"), 20.0)
    assert unknown == pytest.approx(998.2, abs=0.1)
    assert sucrose_kg_m3(11.0, 20.0) < unknown + u_unknown
    assert sucrose_kg_m3(28.0, 20.0) < unknown + 2.0 * u_unknown
    # Alcohol says something, but not how sweet it is: vermouth (16 % vol, 12 Brix by our estimate) is held, too.
    wine, u_wine = liquid_kg_m3(Liquid(liquid="vermouth", abv_percent=16.0), 20.0)
    assert liqueur_kg_m3(16.0, 12.0, 20.0)[0] < wine + 2.0 * u_wine
    assert liquid_kg_m3(Liquid(liquid="spirit", abv_percent=40.0), 20.0)[1] < u_wine < u_unknown


@pytest.mark.parametrize(
    ("way", "density", "u_density"),
    [
        ({"density_kg_m3": 1046.0}, 1046.0, 0.5),
        ({"density_kg_m3": 1046.0, "density_uncertainty_kg_m3": 3.0}, 1046.0, 3.0),
        ({"hydrometer_kg_m3": 1046.0}, 1046.0, 1.0),
        # Water is 0.899 kg/m3 lighter at 20 C than at 15 C (Tanaka's table: 999.102 and 998.206).
        ({"hydrometer_kg_m3": 1046.0, "hydrometer_at_c": 15.0}, 1046.0 * 998.206 / 999.102, 1.02),
        # 100 mL of water in air at 20 C: 99.714 g on a scale (ISO 8655-6: Z = 1.00285 mL/g).
        ({"weighed_100_ml_g": 100.0 / 1.002851}, 998.206, 998.206 * 0.01 / math.sqrt(3.0)),
    ],
    ids=["density", "density and its uncertainty", "hydrometer", "hydrometer in the cold", "100 mL weighed"],
)
def test_every_way_to_state_a_density(way, density, u_density):
    found = liquid_kg_m3(Liquid(liquid="apple juice", **way), 20.0)
    assert found == (pytest.approx(density, abs=0.05), pytest.approx(u_density, rel=0.02))


@pytest.mark.parametrize("bad", [-0.1, 40.1, math.nan, math.inf])
def test_water_refuses_temperatures_by_name(bad):
    with pytest.raises(OutOfRange, match="temperature_c"):
        water_kg_m3(bad)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(-1.0), 20.0), "abv_percent"),
        (lambda: ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(100.1), 20.0), "abv_percent"),
        (lambda: ethanol_water_by_mass_kg_m3(mass_fraction_of_abv(40.0), -20.1), "temperature_c"),
        (lambda: ethanol_water_by_mass_kg_m3(1.01, 20.0), "mass_fraction"),
        (lambda: sucrose_kg_m3(86.0, 20.0), "brix"),
        (lambda: sucrose_kg_m3(10.0, -1.0), "temperature_c"),
        (lambda: liqueur_kg_m3(20.0, 20.0, math.nan), "temperature_c"),
        (lambda: ethanol_g(-1.0, 40.0), "volume_ml"),
    ],
)
def test_other_arguments_are_refused_by_name(call, name):
    with pytest.raises(OutOfRange, match=name):
        call()
