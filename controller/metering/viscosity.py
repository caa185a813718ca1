"""Viscosities of what is poured: water, ethanol-water, sucrose solutions, and an estimate for liqueurs, in mPa s."""

import math
from itertools import pairwise

from controller.errors import require_in_range
from controller.metering.coefficients import BINGHAM_JACKSON, IAPWS_VISCOSITY
from controller.metering.density import mass_fraction_of_abv
from controller.model.book import Liquid

# Relative standard uncertainties.
U_WATER = 0.01  # IAPWS SR6-08 states 1 % for its equation near room temperature
U_ETHANOL_WATER = 0.03  # rounding and age of the table, and interpolation between its points; our estimate
U_LIQUEUR = 0.25  # alcohol and sugar together: nothing published to hold it against
U_GIVEN = 0.05  # a figure given in the book


def water_mpa_s(temperature_c: float) -> float:
    """Viscosity of water at 0.1 MPa, mPa s; 0 to 100 C, else OutOfRange. Relative uncertainty 1 %.

    Source: IAPWS SR6-08(2011), Properties of Liquid Water at 0.1 MPa, equation 8.
    """
    require_in_range("temperature_c", temperature_c, 0.0, 100.0, "degC")
    reduced = (temperature_c + 273.15) / 300.0
    return 1e-3 * math.fsum(a * reduced**b for a, b in IAPWS_VISCOSITY)


def ethanol_water_by_mass_mpa_s(mass_fraction: float, temperature_c: float) -> float:
    """Viscosity of ethanol-water, mPa s; ethanol mass fraction 0 to 1, 0 to 70 C, else OutOfRange.

    There is no accepted formula: this interpolates ln viscosity in the measurements of Bingham and Jackson (see
    `coefficients`), by a monotone cubic along the mass fraction and along 1/T between temperatures. Relative
    uncertainty 3 %.
    """
    require_in_range("mass_fraction", mass_fraction, 0.0, 1.0, "")
    require_in_range("temperature_c", temperature_c, 0.0, 70.0, "degC")
    inverse_k = [1.0 / (t + 273.15) for t in BINGHAM_JACKSON]
    tenths = [k / 10.0 for k in range(11)]
    logs = [_monotone_cubic(tenths, [math.log(eta) for eta in row], mass_fraction) for row in BINGHAM_JACKSON.values()]
    return math.exp(_monotone_cubic(inverse_k[::-1], logs[::-1], 1.0 / (temperature_c + 273.15)))


def ethanol_water_mpa_s(abv_percent: float, temperature_c: float) -> float:
    """Viscosity of ethanol-water, mPa s; strength 0 to 100 % vol (at 20 C), 0 to 70 C, else OutOfRange.

    See `ethanol_water_by_mass_mpa_s`.
    """
    return ethanol_water_by_mass_mpa_s(mass_fraction_of_abv(abv_percent), temperature_c)


def _monotone_cubic(xs: list[float], ys: list[float], x: float) -> float:
    """Piecewise cubic that keeps the data's rises and falls (F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5
    (1984) 300); xs rising, x within them.
    """
    steps = [b - a for a, b in pairwise(xs)]
    slopes = [(b - a) / h for (a, b), h in zip(pairwise(ys), steps, strict=True)]
    tangents = [slopes[0]]
    for (left, right), (h_left, h_right) in zip(pairwise(slopes), pairwise(steps), strict=True):
        if left * right <= 0.0:
            tangents.append(0.0)
        else:
            share = (h_left + 2.0 * h_right) / (3.0 * (h_left + h_right))
            tangents.append(left * right / (share * right + (1.0 - share) * left))
    tangents.append(slopes[-1])
    k = min(max(0, sum(value <= x for value in xs) - 1), len(steps) - 1)
    h, s = steps[k], (x - xs[k]) / steps[k]
    return (
        (1.0 + 2.0 * s) * (1.0 - s) ** 2 * ys[k]
        + s * (1.0 - s) ** 2 * h * tangents[k]
        + s * s * (3.0 - 2.0 * s) * ys[k + 1]
        - s * s * (1.0 - s) * h * tangents[k + 1]
    )


def sucrose_mpa_s(brix: float, temperature_c: float) -> float:
    """Viscosity of a sucrose solution, mPa s; brix 0 to 80 % by mass, 0 to 80 C, else OutOfRange.

    Source: V. Genotelle, Industries Alimentaires et Agricoles 95 (1978) 747, as in ICUMSA SPS-5 (formula from memory):
    log10 eta = 22.46 x - 0.114 + phi (1.1 + 43.1 x^1.25), x the mole fraction of sucrose, phi = (30 - t)/(91 + t).
    Relative uncertainty: see `u_sucrose`.
    """
    require_in_range("brix", brix, 0.0, 80.0, "% by mass")
    require_in_range("temperature_c", temperature_c, 0.0, 80.0, "degC")
    mole_fraction = brix / (1900.0 - 18.0 * brix)
    phi = (30.0 - temperature_c) / (91.0 + temperature_c)
    exponent = 22.46 * mole_fraction - 0.114 + phi * (1.1 + 43.1 * math.pow(mole_fraction, 1.25))
    return math.pow(10.0, exponent)


def u_sucrose(brix: float, temperature_c: float) -> float:
    """Relative standard uncertainty of `sucrose_mpa_s`: 3 %, below 10 C 8 %, above 70 % sugar 10 %.

    From its distance to the CRC handbook (up to 3.6 % at 20 C) and to older measurements below 10 C (up to 14 %).
    """
    return max(0.03, 0.08 if temperature_c < 10.0 else 0.0, 0.10 if brix > 70.0 else 0.0)


def liquid_mpa_s(liquid: Liquid, temperature_c: float) -> tuple[float, float]:
    """Viscosity of a liquid of the book at 0 to 60 C and its standard uncertainty, mPa s.

    A given viscosity (at 20 C) counts; it is carried to the temperature as the formula for its Brix and ABV has it.
    Alcohol and sugar together: the product of what each does to water, an estimate. OutOfRange by name.
    """
    require_in_range("temperature_c", temperature_c, 0.0, 60.0, "degC")
    here, relative = _modelled_mpa_s(liquid, temperature_c)
    if liquid.viscosity_mpa_s is None:
        return here, relative * here
    at_20, _ = _modelled_mpa_s(liquid, 20.0)
    given = liquid.viscosity_mpa_s * here / at_20
    # Thicker liquids change faster with temperature than the formula for their Brix and ABV, which may not be given.
    return given, given * math.hypot(U_GIVEN, 0.5 * abs(math.log(here / at_20)))


def _modelled_mpa_s(liquid: Liquid, temperature_c: float) -> tuple[float, float]:
    """Viscosity from Brix and ABV (mPa s) and its relative uncertainty."""
    brix, abv_percent = liquid.brix or 0.0, liquid.abv_percent
    water = water_mpa_s(temperature_c)
    if brix == 0.0 and abv_percent == 0.0:
        return water, U_WATER
    if abv_percent == 0.0:
        return sucrose_mpa_s(brix, temperature_c), u_sucrose(brix, temperature_c)
    spirit = ethanol_water_mpa_s(abv_percent, temperature_c)
    if brix == 0.0:
        return spirit, U_ETHANOL_WATER
    return spirit * sucrose_mpa_s(brix, temperature_c) / water, U_LIQUEUR
