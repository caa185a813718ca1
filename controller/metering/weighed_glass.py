"""A glass on the scale: grams that came into it, as millilitres of what was poured, and what each line gave of them."""

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache

from controller.metering.density import liquid_kg_m3
from controller.metering.gravimetry import U_HOLD_UP_ML, Volume, volume_ml
from controller.model.book import Liquid
from controller.model.fields import Value

GATE = 4.0  # standard deviations; a weight further off says that something went wrong, not how the lines share it


class KnownVolume(Value, frozen=True, kw_only=True):
    """A volume with its standard uncertainty, mL."""

    volume_ml: float
    u_ml: float


@lru_cache(maxsize=1024)
def known_kg_m3(liquid: Liquid) -> tuple[float, float]:
    """Density at 20 C with its standard uncertainty; worked out once, since it takes milliseconds."""
    return liquid_kg_m3(liquid, 20.0)


def blend_kg_m3(doses: Sequence[tuple[Liquid, float]]) -> tuple[float, float]:
    """Density of liquids poured together, mass by volume as it left the lines, and its standard uncertainty, kg/m3.

    Doses, caps and tolerances speak of volumes before they are mixed; what ethanol and water lose by contraction is in
    `mixture.mix` and no matter of the scale, which weighs the same before and after. Labels may all err alike, so the
    uncertainties add up. At 20 C; ZeroDivisionError for no volume.
    """
    total_ml = sum(dose_ml for _, dose_ml in doses)
    known = [(*known_kg_m3(liquid), dose_ml / total_ml) for liquid, dose_ml in doses]
    return sum(one * share for one, _, share in known), sum(u * share for _, u, share in known)


def volume_of(grams: float, u_grams: float, u_span: float, doses: Sequence[tuple[Liquid, float]]) -> Volume:
    """The volume that weighs so much in air, of these liquids in these proportions (mL each), by ISO 8655-6.

    u_grams: standard uncertainty of the difference of the two readings; u_span: of the scale's span, relative.
    """
    density, u_density = blend_kg_m3(doses)
    return volume_ml(
        max(0.0, grams),
        density_kg_m3=density,
        u_density_kg_m3=u_density,
        u_mass_g=u_grams,
        u_factor=u_span,
        u_hold_up_ml=U_HOLD_UP_ML,
    )


def shared(expected: Mapping[int, KnownVolume], total: KnownVolume) -> dict[int, KnownVolume]:
    """What each line gave, once their sum is known too; {} when the sum does not bear out what was expected.

    Least squares of one sum over independent parts: each takes of the difference by its own variance (the update of a
    Kalman filter with one measurement; R. E. Kalman, J. Basic Eng. 82 (1960) 35-45).
    """
    variance = sum(one.u_ml**2 for one in expected.values()) + total.u_ml**2
    difference_ml = total.volume_ml - sum(one.volume_ml for one in expected.values())
    if variance <= 0.0 or difference_ml**2 > GATE**2 * variance:
        return {}
    found = {}
    for line, one in expected.items():
        gain = one.u_ml**2 / variance
        u_ml = math.sqrt(max(0.0, one.u_ml**2 * (1.0 - gain)))
        found[line] = KnownVolume(volume_ml=max(0.0, one.volume_ml + gain * difference_ml), u_ml=u_ml)
    return found
