"""What flows through a line, and how heavy and thick it is.

The bench works these out from handbook tables of its own and shares no formula with the code it is there to judge.
"""

import math
from bisect import bisect_right
from random import Random

from msgspec.structs import replace

from controller.model.book import Liquid
from controller.model.fields import Value

# What is really in the bottles, whatever a book says: kg/m3 and mPa*s at 20 C. Invented, each near what the handbook
# tables below give for such a drink.
_REALLY = {
    "apple juice": (1043.4, 1.42),
    "blackcurrant cordial": (1177.0, 6.3),
    "ginger syrup": (1231.0, 15.6),
    "lime cordial": (1175.0, 6.1),
    "cold tea": (999.4, 1.02),
    "soda": (999.1, 1.0),
    "vermouth": (1027.5, 2.3),
    "perry": (1002.5, 1.5),
    "sloe gin": (1046.0, 4.0),
}
_CO2_VOLUMES = {"soda": 3.5}
_ANY_CO2_VOLUMES = 3.5  # of what its book calls carbonated; soft drinks have 1.5 to 4
_ANY_KG_M3, _ANY_MPA_S = (990.0, 1240.0), (1.0, 10.0)  # of a liquid that neither this table nor its book knows

ROOM_AIR_KG_M3 = 1.2  # at 20 C and sea level; CIPM-2007 gives 1.1993 at 50 % humidity
WEIGHTS_KG_M3 = 8000.0  # conventional density of weights: OIML D 28:2004

AIR = "air"
CLEANER = "cleaner"
RINSE_WATER = "rinse water"

# Sucrose in water at 20 C: % by mass, kg/m3, viscosity relative to water. CRC Handbook of Chemistry and Physics,
# "Concentrative properties of aqueous solutions", sucrose.
_SUCROSE = (
    (0.0, 998.2, 1.0), (4.5, 1015.8, 1.128), (9.0, 1034.0, 1.291), (14.0, 1054.9, 1.531), (20.0, 1081.0, 1.941),
    (26.0, 1108.2, 2.568), (32.0, 1136.6, 3.574), (38.0, 1166.3, 5.304), (44.0, 1197.2, 8.579), (50.0, 1229.5, 15.4),
    (56.0, 1263.2, 32.06), (62.0, 1298.3, 82.26), (68.0, 1334.8, 287.9), (74.0, 1372.6, 1628.0), (80.0, 1411.7, 2.1e4),
)  # fmt: skip

# Ethanol in water at 20 C: % vol and kg/m3. OIML R 22, international alcoholometric tables.
_ETHANOL_DENSITY = (
    (0.0, 998.2), (3.0, 993.806), (6.0, 989.728), (9.0, 985.924), (12.0, 982.355), (14.0, 980.082), (17.0, 976.786),
    (22.0, 971.401), (30.0, 962.21), (37.5, 951.936), (42.0, 944.758), (46.0, 937.73), (55.0, 919.963), (63.0, 902.31),
    (75.0, 872.792), (85.0, 844.853), (96.0, 807.419), (100.0, 789.24),
)  # fmt: skip

# Ethanol in water at 20 C: % by mass and mPa*s. Bingham and Jackson, in Simmonds, Alcohol (1919).
_ETHANOL_VISCOSITY = (
    (0.0, 1.005), (10.0, 1.538), (20.0, 2.183), (30.0, 2.71), (40.0, 2.91), (50.0, 2.87), (60.0, 2.67), (70.0, 2.37),
    (80.0, 2.008), (90.0, 1.61), (100.0, 1.2),
)  # fmt: skip


class FluidTruth(Value, frozen=True, kw_only=True):
    """Density and viscosity at 20 C, what gas was put into it, and how cold it is hung."""

    density_kg_m3: float
    viscosity_mpa_s: float
    co2_volumes: float = 0.0  # litres of gas (0 C, 1 atm) per litre
    served_c: float = 20.0


def nominal_fluid(liquid: Liquid) -> FluidTruth:
    """A liquid by its name, else by the book, else anything that such drinks can be; as cold as the book serves it."""
    co2_volumes = _CO2_VOLUMES.get(liquid.liquid, _ANY_CO2_VOLUMES if liquid.carbonated else 0.0)
    return replace(_by_name(liquid), co2_volumes=co2_volumes, served_c=liquid.served_at_c)


def _by_name(liquid: Liquid) -> FluidTruth:
    if liquid.liquid in _REALLY:
        density, viscosity = _REALLY[liquid.liquid]
        return FluidTruth(density_kg_m3=density, viscosity_mpa_s=viscosity)
    told = (liquid.density_kg_m3, liquid.hydrometer_kg_m3, liquid.weighed_100_ml_g, liquid.brix)
    if all(one is None for one in told) and liquid.abv_percent == 0.0:
        rng = Random(f"what {liquid.liquid} is")
        return FluidTruth(density_kg_m3=rng.uniform(*_ANY_KG_M3), viscosity_mpa_s=rng.uniform(*_ANY_MPA_S))
    return _by_the_book(liquid)


def _by_the_book(liquid: Liquid) -> FluidTruth:
    sugar = liquid.brix or 0.0
    ethanol_kg_m3 = at(liquid.abv_percent, _ETHANOL_DENSITY)
    weighed_g = liquid.weighed_100_ml_g
    density = liquid.density_kg_m3 or liquid.hydrometer_kg_m3 or (None if weighed_g is None else 10.0 * weighed_g)
    if density is None:
        sucrose_kg_m3 = at(sugar, tuple(row[:2] for row in _SUCROSE))
        # Sugar raises a spirit's density as much as it raises water's: the simplest rule, a few kg/m3 off.
        density = sucrose_kg_m3 + ethanol_kg_m3 - 998.2
    viscosity = liquid.viscosity_mpa_s
    if viscosity is None:
        by_mass = 100 * liquid.abv_percent / 100 * 789.24 / ethanol_kg_m3
        relative = math.exp(at(sugar, tuple((row[0], math.log(row[2])) for row in _SUCROSE)))
        viscosity = relative * at(by_mass, _ETHANOL_VISCOSITY)
    return FluidTruth(density_kg_m3=density, viscosity_mpa_s=viscosity)


def at(x: float, table: tuple[tuple[float, ...], ...]) -> float:
    """y at x: straight-line interpolation in rows of (x, y), held at the ends."""
    after = bisect_right(table, x, key=lambda row: row[0])
    if after in (0, len(table)):
        return table[max(after - 1, 0)][1]
    (x0, y0), (x1, y1) = table[after - 1], table[after]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def weight_g_ml(density_kg_m3: float) -> float:
    """What a scale that was adjusted in air with weights shows of each mL: air bears liquid up."""
    return (density_kg_m3 - ROOM_AIR_KG_M3) / 1000 / (1 - ROOM_AIR_KG_M3 / WEIGHTS_KG_M3)
