"""Densities of what is poured: water, ethanol-water, sucrose solutions, and an estimate for liqueurs."""

import math

from controller.errors import Refused, require_in_range
from controller.metering.coefficients import (
    BETTIN_SPIEWECK,
    BETTIN_SPIEWECK_BELOW,
    ETHANOL_KG_M3,
    ICUMSA_C,
    OIML_A,
    OIML_B,
    OIML_C,
    TANAKA,
)
from controller.model.book import Liquid

# Standard uncertainties, kg/m3. Formula: as the sources state them. Label: what a Brix or ABV on a label is worth,
# common practice, no source: 0.25 Brix, 0.3 % vol (Regulation (EU) No 1169/2011, Annex XII allows 0.3 % vol on most).
U_WATER_KG_M3 = 0.001
U_BRIX_PERCENT = 0.25
U_ABV_PERCENT = 0.3
U_GIVEN_KG_M3 = 0.5
# Ways in. Hydrometer: one division of 1 kg/m3, common practice, no source. 100 mL in a cylinder of class B: 1 mL
# either way (ISO 4788, from memory), taken as uniform; the scale's part is small beside it.
U_HYDROMETER_KG_M3 = 1.0
U_CYLINDER = 0.01 / math.sqrt(3.0)
# Of a liquid that nobody has measured. Juices lie 4 % above water, syrups up to 30 %: two standard uncertainties hold
# all but the thickest. Alcohol without a word on sugar: a dry wine has none, a vermouth or liqueur lies up to 6 % or
# 12 % above the spirit; what is as strong as gin (37.5 % vol, Regulation (EU) 2019/787) is mostly dry. Common practice,
# no source.
U_UNKNOWN_KG_M3 = 60.0
U_SWEETNESS_KG_M3, U_SPIRIT_KG_M3, SPIRIT_ABV = 30.0, 15.0, 37.5


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    """Sum of coefficients[k] x^k."""
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def water_kg_m3(temperature_c: float) -> float:
    """Density of air-free water at 101.325 kPa, kg/m3; 0 to 40 C, else OutOfRange. Uncertainty 0.001 kg/m3.

    Source: Tanaka et al., Metrologia 38 (2001) 301-309.
    """
    require_in_range("temperature_c", temperature_c, 0.0, 40.0, "degC")
    a1, a2, a3, a4, a5 = TANAKA
    t = temperature_c
    return a5 * (1.0 - (t + a1) ** 2 * (t + a2) / (a3 * (t + a4)))


def ethanol_water_by_mass_kg_m3(mass_fraction: float, temperature_c: float) -> float:
    """Density of ethanol-water, kg/m3, of an ethanol mass fraction 0 to 1 at -20 to 40 C, else OutOfRange.

    Source: OIML R 22 (1975), general formula with its 54 coefficients. The formula is evaluated also where a mixture
    would freeze.
    """
    require_in_range("mass_fraction", mass_fraction, 0.0, 1.0, "")
    require_in_range("temperature_c", temperature_c, -20.0, 40.0, "degC")
    p, warmer_k = mass_fraction, temperature_c - 20.0
    density = _polynomial(OIML_A, p) + warmer_k * _polynomial(OIML_B, warmer_k)
    for i, row in enumerate(OIML_C, start=1):
        density += p * _polynomial(row, p) * warmer_k**i
    return density


def abv_percent_of_mass(mass_fraction: float) -> float:
    """Alcoholic strength by volume at 20 C, % vol, of an ethanol mass fraction 0 to 1 (OIML R 22)."""
    return 100.0 * mass_fraction * ethanol_water_by_mass_kg_m3(mass_fraction, 20.0) / ETHANOL_KG_M3


def mass_fraction_of_abv(abv_percent: float) -> float:
    """Ethanol mass fraction of a strength 0 to 100 % vol at 20 C: OIML R 22 turned round by bisection."""
    require_in_range("abv_percent", abv_percent, 0.0, 100.0, "% vol")
    low, high = 0.0, 1.0
    while high - low > 1e-15:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if abv_percent_of_mass(middle) < abv_percent else (low, middle)
    return 0.5 * (low + high)


def sucrose_kg_m3(brix: float, temperature_c: float) -> float:
    """Density of a sucrose solution, kg/m3; brix 0 to 85 % by mass, 0 to 80 C, else OutOfRange.

    Source: ICUMSA SPS-4. Agrees with the CRC handbook table within 0.3 kg/m3 up to 70 %, 0.9 up to 84 %.
    """
    require_in_range("brix", brix, 0.0, 85.0, "% by mass")
    require_in_range("temperature_c", temperature_c, 0.0, 80.0, "degC")
    s, hundreds_k = brix / 100.0, (temperature_c - 20.0) / 100.0
    density = _polynomial(BETTIN_SPIEWECK, temperature_c) / (1.0 + BETTIN_SPIEWECK_BELOW * temperature_c)
    for j, row in enumerate(ICUMSA_C):
        density += s * _polynomial(row, s) * hundreds_k**j
    return density


def liqueur_kg_m3(abv_percent: float, brix: float, temperature_c: float) -> tuple[float, float]:
    """Density of water, ethanol and sucrose together and its standard uncertainty, kg/m3: an estimate.

    abv_percent: % vol at 20 C; brix: % sucrose by mass (not what a refractometer shows: alcohol shifts that); 0 to
    40 C. The sugar-free part mixes as OIML R 22 has it; the sugar adds the specific volume that it takes up in the
    liqueur's own water (ICUMSA). With no sugar or no alcohol the published formula itself is left. How alcohol
    changes the sugar's volume is unknown here: the uncertainty holds 3 % of that volume for it, fading with the
    alcohol (our estimate, no source). Refused when alcohol and sugar leave too little water.
    """
    require_in_range("abv_percent", abv_percent, 0.0, 100.0, "% vol")
    require_in_range("brix", brix, 0.0, 85.0, "% by mass")
    require_in_range("temperature_c", temperature_c, 0.0, 40.0, "degC")
    sugar = brix / 100.0
    ethanol = _ethanol_mass_fraction(abv_percent, sugar)
    volume_m3_kg, sugar_m3_kg = _specific_volumes(ethanol, sugar, temperature_c)
    density = 1.0 / volume_m3_kg
    share = min(1.0, ethanol / 0.1)
    return density, math.hypot(0.2, density * 0.03 * share * sugar_m3_kg / volume_m3_kg)


def _ethanol_mass_fraction(abv_percent: float, sugar: float) -> float:
    """Ethanol mass fraction of the whole; ABV = fraction x density at 20 C / 789.24, solved by bisection."""
    least_water = 0.15 * sugar / 0.85  # ICUMSA ends at 85 %
    low, high = 0.0, 1.0 - sugar - least_water
    if abv_percent == 0.0:
        return 0.0
    most_abv = 100.0 * high / _specific_volumes(high, sugar, 20.0)[0] / ETHANOL_KG_M3
    if abv_percent > most_abv:
        raise Refused(
            rule="composition",
            reason=f"{abv_percent:g} % vol with {100 * sugar:g} % sugar by mass leaves too little water.",
            asked=f"{abv_percent:g} % vol",
            allowed=f"{most_abv:.1f} % vol with this much sugar",
            remedy="Check both figures, or give the liquid's density.",
        )
    while high - low > 1e-14:
        middle = 0.5 * (low + high)
        abv = 100.0 * middle / _specific_volumes(middle, sugar, 20.0)[0] / ETHANOL_KG_M3
        low, high = (middle, high) if abv < abv_percent else (low, middle)
    return 0.5 * (low + high)


def _specific_volumes(ethanol: float, sugar: float, temperature_c: float) -> tuple[float, float]:
    """Specific volume of the whole, and the sugar's part of it, m3/kg of the whole."""
    spirit = 1.0 - sugar
    volume = spirit / ethanol_water_by_mass_kg_m3(ethanol / spirit, temperature_c)
    if sugar == 0.0:
        return volume, 0.0
    in_water = sugar / (1.0 - ethanol)
    per_kg_sugar = (
        1.0 / sucrose_kg_m3(100.0 * min(in_water, 0.85), temperature_c)
        - (1.0 - in_water) / sucrose_kg_m3(0.0, temperature_c)
    ) / in_water
    return volume + sugar * per_kg_sugar, sugar * per_kg_sugar


def liquid_kg_m3(liquid: Liquid, temperature_c: float) -> tuple[float, float]:
    """Density of a liquid of the book at 0 to 40 C and its standard uncertainty, kg/m3.

    What was measured counts; it is carried to the temperature as the formula for its Brix and ABV (or water) has it.
    Else Brix and ABV together, Brix, ABV, or water, with what a label is worth, or what is not known at all, in the
    uncertainty.
    """
    require_in_range("temperature_c", temperature_c, 0.0, 40.0, "degC")
    formula, u_formula = liqueur_kg_m3(liquid.abv_percent, liquid.brix or 0.0, temperature_c)
    measured = _measured_kg_m3(liquid)
    if measured is None:
        return formula, math.hypot(u_formula, _u_label_kg_m3(liquid, temperature_c), _u_unsaid_kg_m3(liquid))
    density, u_density, at_c = measured
    change = formula / liqueur_kg_m3(liquid.abv_percent, liquid.brix or 0.0, at_c)[0]
    return density * change, math.hypot(u_density, 0.2 * density * abs(change - 1.0))


def _measured_kg_m3(liquid: Liquid) -> tuple[float, float, float] | None:
    """A measured density, its standard uncertainty (kg/m3) and the temperature (C) it holds at; None without one."""
    stated = liquid.density_uncertainty_kg_m3
    if liquid.density_kg_m3 is not None:
        return liquid.density_kg_m3, stated or U_GIVEN_KG_M3, 20.0
    if liquid.hydrometer_kg_m3 is not None:
        return liquid.hydrometer_kg_m3, stated or U_HYDROMETER_KG_M3, liquid.hydrometer_at_c
    if liquid.weighed_100_ml_g is not None:
        # In air a scale shows 0.105 % less than the mass of water (ISO 8655-6, Z factor less specific volume).
        density = 10.0 * liquid.weighed_100_ml_g * 1.00105
        return density, stated or density * U_CYLINDER, 20.0
    return None


def _u_unsaid_kg_m3(liquid: Liquid) -> float:
    """Standard uncertainty from what the book does not say of a liquid that nobody has measured."""
    if liquid.brix is not None:
        return 0.0
    if liquid.abv_percent == 0.0:
        return U_UNKNOWN_KG_M3
    return U_SPIRIT_KG_M3 if liquid.abv_percent >= SPIRIT_ABV else U_SWEETNESS_KG_M3


def _u_label_kg_m3(liquid: Liquid, temperature_c: float) -> float:
    """What the rounding of Brix and ABV on a label, or their stated uncertainty, is worth in density."""
    brix, abv_percent = liquid.brix or 0.0, liquid.abv_percent
    total = 0.0
    here, _ = liqueur_kg_m3(abv_percent, brix, temperature_c)
    if brix > 0.0:
        less = max(0.0, brix - (liquid.brix_uncertainty_percent or U_BRIX_PERCENT))
        total = math.hypot(total, here - liqueur_kg_m3(abv_percent, less, temperature_c)[0])
    if abv_percent > 0.0:
        less = max(0.0, abv_percent - U_ABV_PERCENT)
        total = math.hypot(total, here - liqueur_kg_m3(less, brix, temperature_c)[0])
    return total


def ethanol_g(volume_ml: float, abv_percent: float) -> float:
    """Grams of ethanol in a volume (mL at 20 C, >= 0) of a strength 0 to 100 % vol: 0.78924 g per mL of ethanol."""
    require_in_range("volume_ml", volume_ml, 0.0, math.inf, "mL")
    require_in_range("abv_percent", abv_percent, 0.0, 100.0, "% vol")
    return volume_ml * abv_percent / 100.0 * ETHANOL_KG_M3 / 1000.0
