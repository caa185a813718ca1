"""Grams in a glass as millilitres of what was poured, and the sum's word on its parts."""

import pytest
from msgspec.structs import replace

from controller.metering.mixture import mix
from controller.metering.weighed_glass import KnownVolume, blend_kg_m3, shared, volume_of
from controller.model.book import Liquid


def liquid(name: str, **figures: float) -> Liquid:
    return replace(Liquid(liquid=name), **figures)


WATER = liquid("soda", density_kg_m3=998.2, viscosity_mpa_s=1.0)
CORDIAL = liquid("blackcurrant cordial", density_kg_m3=1280.0, viscosity_mpa_s=10.0)
SPIRIT = liquid("spirit", abv_percent=70.0, viscosity_mpa_s=2.0)


def test_water_is_weighed_with_the_z_factor_of_iso_8655_6():
    """ISO 8655-6, annex A: 1.0029 uL/mg at 20 C and 101.3 kPa, so 95 mL of water show 94.725 g."""
    found = volume_of(94.725, 0.05, 0.0, [(WATER, 95.0)])
    assert found.volume_ml == pytest.approx(95.0, abs=0.01)


def test_a_blend_weighs_as_its_parts_do():
    """By hand: 80 mL of 998.2 and 20 mL of 1280 kg/m3 are 105.456 g, less 1.2 kg/m3 of air, 0.015 % for the weights."""
    density, u_density = blend_kg_m3([(WATER, 80.0), (CORDIAL, 20.0)])
    assert density == pytest.approx(1054.56, abs=0.01)
    assert u_density > 0
    shown_g = (105.456 - 0.12) / (1 - 1.2 / 8000)
    found = volume_of(shown_g, 0.05, 0.0, [(WATER, 80.0), (CORDIAL, 20.0)])
    assert found.volume_ml == pytest.approx(100.0, abs=0.01)


def test_a_mixture_that_contracts_weighs_the_same():
    """70 % vol and water, half and half: 885.6 and 998.2 kg/m3 make 955 (OIML R 22, from memory), so 98.6 mL.

    The scale speaks of what left the lines.
    """
    doses = [(SPIRIT, 50.0), (WATER, 50.0)]
    density, _ = blend_kg_m3(doses)
    found = volume_of((density - 1.2) / 10 / (1 - 1.2 / 8000), 0.05, 0.0, doses)
    assert found.volume_ml == pytest.approx(100.0, abs=0.01)
    assert mix(doses).volume_ml == pytest.approx(98.6, abs=0.1)


def test_the_span_goes_into_the_uncertainty_in_proportion():
    tight, loose = (volume_of(200.0, 0.05, u_span, [(WATER, 200.0)]) for u_span in (0.0, 0.002))
    assert loose.u_volume_ml**2 - tight.u_volume_ml**2 == pytest.approx((0.002 * loose.volume_ml) ** 2, rel=1e-6)


def test_parts_take_of_the_difference_by_their_variance():
    """Two parts known to 1 and 2 mL, whose sum is 5 mL too small: they take 1/5 and 4/5 of it when it is exact."""
    expected = {1: KnownVolume(volume_ml=50.0, u_ml=1.0), 2: KnownVolume(volume_ml=45.0, u_ml=2.0)}
    found = shared(expected, KnownVolume(volume_ml=100.0, u_ml=0.0))
    assert [one.volume_ml for one in found.values()] == pytest.approx([51.0, 49.0])
    assert [one.u_ml for one in found.values()] == pytest.approx([0.8**0.5, 0.8**0.5])
    loose = shared(expected, KnownVolume(volume_ml=100.0, u_ml=100.0))
    assert [one.volume_ml for one in loose.values()] == pytest.approx([50.0, 45.0], abs=0.01)


def test_a_sum_far_off_says_nothing_of_its_parts():
    expected = {1: KnownVolume(volume_ml=50.0, u_ml=0.3), 2: KnownVolume(volume_ml=45.0, u_ml=0.3)}
    assert shared(expected, KnownVolume(volume_ml=50.0, u_ml=0.2)) == {}  # a dead line, or a hand
    assert shared({}, KnownVolume(volume_ml=50.0, u_ml=0.0)) == {}
