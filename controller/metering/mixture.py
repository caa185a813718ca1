"""What several liquids come to in one glass: volume, strength, ethanol."""

from collections.abc import Sequence

from controller.metering.coefficients import ETHANOL_KG_M3
from controller.metering.density import ethanol_g, liqueur_kg_m3
from controller.model.book import Liquid
from controller.model.fields import Value

ROUNDS = 6  # each gains a factor of ten and more


class Mixture(Value, frozen=True, kw_only=True):
    """Liquids in one glass at 20 C, without ice and what melts of it. volume_ml: once mixed, contraction counted."""

    poured_ml: float
    volume_ml: float
    ethanol_g: float
    abv_percent: float  # of the mixed drink


def mix(doses: Sequence[tuple[Liquid, float]]) -> Mixture:
    """Liquids with their volumes (mL at 20 C, >= 0) poured together.

    Ethanol and water take less room together than apart, and sugar changes that little: the volume follows from the
    masses of ethanol, sugar and water with the density of such a mixture (OIML R 22 and ICUMSA, see `liqueur_kg_m3`).
    A liquid's ABV and Brix count here, a density that is given besides does not.
    """
    poured_ml = sum(volume_ml for _, volume_ml in doses)
    grams = sum(ethanol_g(volume_ml, liquid.abv_percent) for liquid, volume_ml in doses)
    if grams == 0.0:
        return Mixture(poured_ml=poured_ml, volume_ml=poured_ml, ethanol_g=0.0, abv_percent=0.0)
    whole_g = sugar_g = 0.0
    for liquid, volume_ml in doses:
        mass_g = volume_ml * liqueur_kg_m3(liquid.abv_percent, liquid.brix or 0.0, 20.0)[0] / 1000.0
        whole_g += mass_g
        sugar_g += mass_g * (liquid.brix or 0.0) / 100.0
    pure_ml = 1000.0 * grams / ETHANOL_KG_M3
    volume_ml = poured_ml
    for _ in range(ROUNDS):  # the density follows from the strength, the strength from the volume
        density, _ = liqueur_kg_m3(min(100.0, 100.0 * pure_ml / volume_ml), 100.0 * sugar_g / whole_g, 20.0)
        volume_ml = 1000.0 * whole_g / density
    return Mixture(
        poured_ml=poured_ml, volume_ml=volume_ml, ethanol_g=grams, abv_percent=min(100.0, 100.0 * pure_ml / volume_ml)
    )
