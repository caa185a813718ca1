"""Gas out of carbonated liquids: what comes out before the rollers is pumped instead of liquid.

Solubility after Weiss, Marine Chemistry 2 (1974) 203-215, at zero salinity. How much of the gas comes out on the way,
and how fast an open bottle goes flat, is common practice, no source.
"""

import math
from random import Random

from controller.model.fields import Value

ZERO_C_K, MOLAR_L = 273.15, 22.26  # of CO2 at 0 C and 1 atm
FLAT_S = 3 * 3600.0  # in which an open bottle loses 63 % of what it can lose


class GasTruth(Value, frozen=True, kw_only=True):
    """One line, when what it draws is carbonated."""

    share: float  # of the gas that can come out, what does so before the rollers
    rest_ml_s: float  # of gas that gathers in the tube at rest
    rest_ml: float  # at most


def dissolved_volumes(at_c: float) -> float:
    """CO2 that water holds at 1 atm of it, in volumes: litres of gas (0 C, 1 atm) per litre."""
    hundred_k = (at_c + ZERO_C_K) / 100
    return MOLAR_L * math.exp(-58.0931 + 90.5069 / hundred_k + 22.2940 * math.log(hundred_k))


def releasable(co2_volumes: float, open_s: float, at_c: float) -> float:
    """Gas (mL at this temperature) that a mL of liquid can still give off, open_s after its bottle was opened."""
    over = max(co2_volumes - dissolved_volumes(at_c), 0.0)
    return over * math.exp(-open_s / FLAT_S) * (at_c + ZERO_C_K) / ZERO_C_K


def liquid_share(share: float, releasable_ml: float) -> float:
    """Liquid in each mL that the pump moves when this share of the gas has come out."""
    return 1 / (1 + share * releasable_ml)


def draw_gas(rng: Random) -> GasTruth:
    """At room temperature 1 to 12 % short, and half as much again from run to run."""
    return GasTruth(share=rng.uniform(0.005, 0.05), rest_ml_s=rng.uniform(0.0005, 0.002), rest_ml=rng.uniform(0.5, 1.5))
