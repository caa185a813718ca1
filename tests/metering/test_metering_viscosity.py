"""Viscosities against published tables and reference libraries."""

import math

import pytest

from controller.errors import OutOfRange
from controller.metering.viscosity import (
    ethanol_water_by_mass_mpa_s,
    ethanol_water_mpa_s,
    liquid_mpa_s,
    sucrose_mpa_s,
    u_sucrose,
    water_mpa_s,
)
from controller.model.book import Liquid
from tests.metering.published import rows


@pytest.mark.parametrize("row", rows("water_density.csv"), ids=lambda row: f"{row['t_C']} C")
def test_water_agrees_with_iapws_and_coolprop(row):
    here = water_mpa_s(float(row["t_C"]))
    assert here == pytest.approx(float(row["visc_iapws1.5.5_mPas"]), rel=3e-4)
    assert here == pytest.approx(float(row["visc_coolprop8.0.0_mPas"]), rel=3e-4)


@pytest.mark.parametrize("temperature_c", [2.3, 17.7, 52.0, 68.5, 94.0])
def test_water_between_and_beyond_the_rows(temperature_c):
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    outside = 1000.0 * coolprop.PropsSI("V", "T", temperature_c + 273.15, "P", 101325.0, "Water")
    assert water_mpa_s(temperature_c) == pytest.approx(outside, rel=3e-4)


def test_water_at_20_c_is_the_accepted_reference_value():
    # ISO/TR 3666:1998: 1.0016 mPa s at 20.00 C.
    assert water_mpa_s(20.0) == pytest.approx(1.0016, rel=1e-4)


@pytest.mark.parametrize("row", rows("ethanol_water_viscosity.csv"), ids=lambda row: f"{row['t_C']} C")
def test_ethanol_water_passes_through_the_measurements(row):
    for key, measured in row.items():
        if key.startswith("eta_mPas_"):
            fraction = float(key.removeprefix("eta_mPas_").removesuffix("pct_mass")) / 100.0
            found = ethanol_water_by_mass_mpa_s(fraction, float(row["t_C"]))
            assert found == pytest.approx(float(measured), rel=1e-9)


def test_ethanol_water_between_the_measurements_stays_between_its_neighbours():
    for tenth in range(10):
        for temperature_c in (5.0, 15.0, 25.0, 35.0):
            corners = [
                ethanol_water_by_mass_mpa_s(fraction, at_c)
                for fraction in (tenth / 10, (tenth + 1) / 10)
                for at_c in (temperature_c - 5, temperature_c + 5)
            ]
            assert min(corners) < ethanol_water_by_mass_mpa_s(tenth / 10 + 0.05, temperature_c) < max(corners)


@pytest.mark.parametrize(
    ("fraction", "outside"), [(0.0, 0.8900), (0.2, 1.81), (0.4, 2.35), (0.6, 2.24), (0.8, 1.748), (1.0, 1.096)]
)
def test_ethanol_water_at_25_c(fraction, outside):
    # 25 C, mPa s: R. C. Weast (ed.), CRC Handbook, viscosity of aqueous ethanol (1.815, 2.35, 2.24, 1.748, 1.096), from
    # memory; another series of measurements than the table interpolated here. Water: IAPWS.
    assert ethanol_water_by_mass_mpa_s(fraction, 25.0) == pytest.approx(outside, rel=0.03)


@pytest.mark.parametrize("row", rows("sucrose.csv"), ids=lambda row: f"{row['sucrose_mass_percent']} Brix")
def test_sucrose_at_20_c(row):
    brix = float(row["sucrose_mass_percent"])
    found = sucrose_mpa_s(brix, 20.0)
    assert found == pytest.approx(float(row["eta20_genotelle_formula_mPas"]), rel=1e-3)
    if row["eta20_mPas_(rel_x_1.002)"]:
        assert found == pytest.approx(float(row["eta20_mPas_(rel_x_1.002)"]), rel=0.04)


@pytest.mark.parametrize(
    ("brix", "temperature_c", "outside"),
    [(30, 20, 3.187), (30, 40, 1.833), (30, 60, 1.2), (65, 20, 147.2), (65, 40, 44.36), (65, 60, 17.9)],
)
def test_sucrose_at_other_temperatures(brix, temperature_c, outside):
    # Literature values quoted in a student report (second-hand).
    assert sucrose_mpa_s(brix, temperature_c) == pytest.approx(outside, rel=0.04)


def test_sucrose_uncertainty_grows_where_the_formula_is_poor():
    assert u_sucrose(40.0, 20.0) < u_sucrose(75.0, 20.0)
    assert u_sucrose(40.0, 20.0) < u_sucrose(40.0, 5.0)


def test_a_liqueur_is_thicker_than_its_spirit_and_its_syrup_and_less_certain():
    gin, u_gin = liquid_mpa_s(Liquid(liquid="sloe gin", abv_percent=26.0, brix=25.0), 20.0)
    assert gin > max(ethanol_water_mpa_s(26.0, 20.0), sucrose_mpa_s(25.0, 20.0))
    assert u_gin / gin > 0.2


def test_a_given_viscosity_counts_at_20_c_and_rises_in_the_cold():
    syrup = Liquid(liquid="ginger syrup", brix=60.0, viscosity_mpa_s=80.0)
    assert liquid_mpa_s(syrup, 20.0)[0] == 80.0
    cold, u_cold = liquid_mpa_s(syrup, 10.0)
    assert cold == pytest.approx(80.0 * sucrose_mpa_s(60.0, 10.0) / sucrose_mpa_s(60.0, 20.0))
    assert u_cold / cold > liquid_mpa_s(syrup, 20.0)[1] / 80.0


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: water_mpa_s(-0.1), "temperature_c"),
        (lambda: water_mpa_s(math.nan), "temperature_c"),
        (lambda: ethanol_water_mpa_s(101.0, 20.0), "abv_percent"),
        (lambda: ethanol_water_by_mass_mpa_s(-0.1, 20.0), "mass_fraction"),
        (lambda: ethanol_water_mpa_s(40.0, 71.0), "temperature_c"),
        (lambda: sucrose_mpa_s(81.0, 20.0), "brix"),
        (lambda: sucrose_mpa_s(40.0, 81.0), "temperature_c"),
    ],
)
def test_arguments_are_refused_by_name(call, name):
    with pytest.raises(OutOfRange, match=name):
        call()
