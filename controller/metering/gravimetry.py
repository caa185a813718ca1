"""Volume from mass by ISO 8655-6 and ISO/TR 20461, with its uncertainty budget."""

import math

from controller.errors import require_in_range, require_positive
from controller.metering.density import U_GIVEN_KG_M3, U_WATER_KG_M3, liquid_kg_m3, water_kg_m3
from controller.model.book import Liquid
from controller.model.fields import Value

WEIGHTS_KG_M3 = 8000.0  # conventional density of the weights a scale is adjusted with (OIML D 28)
STANDARD_KPA = 101.325

# A run's last drops and a jar that stands open for a minute. Common practice, no source.
U_HOLD_UP_ML = 0.03
EVAPORATION_G = 0.01


def air_kg_m3(temperature_c: float, pressure_kpa: float = STANDARD_KPA, humidity_percent: float = 50.0) -> float:
    """Density of air, kg/m3; 0 to 40 C, 60 to 110 kPa, 0 to 100 % relative humidity, else OutOfRange.

    As ISO/TR 20461 has it (from memory; meant for rooms, 0.5 % off at 5 C and 80 %).
    """
    require_in_range("temperature_c", temperature_c, 0.0, 40.0, "degC")
    require_in_range("pressure_kpa", pressure_kpa, 60.0, 110.0, "kPa")
    require_in_range("humidity_percent", humidity_percent, 0.0, 100.0, "%")
    k1, k2, k3 = 0.34844, -0.00252, 0.020582
    return (k1 * 10.0 * pressure_kpa + humidity_percent * (k2 * temperature_c + k3)) / (temperature_c + 273.15)


def _ml_per_g(density_kg_m3: float, air: float) -> float:
    """Volume per displayed mass in air of this density (kg/m3): the factor Z of ISO 8655-6, Annex A."""
    return 1000.0 * (1.0 - air / WEIGHTS_KG_M3) / (density_kg_m3 - air)


def displayed_g_per_ml(density_kg_m3: float, room_c: float = 20.0, pressure_kpa: float = STANDARD_KPA) -> float:
    """What a scale shows for each mL of a liquid of this density (kg/m3, 500 to 2000) in air, g/mL."""
    require_in_range("density_kg_m3", density_kg_m3, 500.0, 2000.0, "kg/m3")
    return 1.0 / _ml_per_g(density_kg_m3, air_kg_m3(room_c, pressure_kpa))


class Contribution(Value, frozen=True, kw_only=True):
    """One line of an uncertainty budget: what, and the standard uncertainty that it gives the volume, mL.

    is_common: the same error in every weighing of this liquid on this scale, in proportion to the volume.
    """

    source: str
    u_ml: float
    is_common: bool = False


class Volume(Value, frozen=True, kw_only=True):
    """A weighed volume, its combined standard uncertainty and the budget behind it, mL."""

    volume_ml: float
    u_volume_ml: float
    budget: tuple[Contribution, ...]

    @property
    def u_own_ml(self) -> float:
        """Standard uncertainty from what changes from one weighing to the next, mL."""
        return math.hypot(*(one.u_ml for one in self.budget if not one.is_common))

    @property
    def u_common(self) -> float:
        """Relative standard uncertainty from what all weighings share; 0 for no volume."""
        shared = math.hypot(*(one.u_ml for one in self.budget if one.is_common))
        return shared / self.volume_ml if self.volume_ml > 0.0 else 0.0


class RoomAir(Value, frozen=True, kw_only=True):
    """The place of the weighing, with standard uncertainties. The defaults suit a kitchen table at low altitude."""

    temperature_c: float = 20.0  # of air and liquid
    u_temperature_c: float = 1.0
    pressure_kpa: float = STANDARD_KPA
    u_pressure_kpa: float = 2.0
    humidity_percent: float = 50.0
    u_humidity_percent: float = 15.0


def volume_ml(
    mass_g: float,
    *,
    density_kg_m3: float | None = None,
    u_density_kg_m3: float | None = None,
    expansion_per_k: float = 3e-4,
    u_mass_g: float = 0.05,
    u_factor: float = 0.0,
    evaporation_g: float = 0.0,
    u_hold_up_ml: float = 0.0,
    temperature_c: float = 20.0,
    pressure_kpa: float = STANDARD_KPA,
    room: RoomAir | None = None,
) -> Volume:
    """Volume (mL) of a displayed net mass (g, >= 0) at the liquid's temperature, with its uncertainty budget.

    V = (mass + evaporation) Z, Z for the liquid's density in air (ISO 8655-6, ISO/TR 20461). density_kg_m3: at
    temperature_c; water when left out. u_density_kg_m3: 0.001 for water, else 0.5 when left out. expansion_per_k: how
    fast the density falls with temperature (1/K; worked out for water). u_mass_g: of the net mass as one reading shows
    it, u_factor: of the scale factor, relative; see `model.scales.WeighingScale`. evaporation_g: what is taken to have
    left between running and reading; half of it counts as its uncertainty. u_hold_up_ml: how differently much stays in
    the funnel.
    room: stands in for temperature_c and pressure_kpa and adds their uncertainties. OutOfRange by name.
    """
    place = room or RoomAir(temperature_c=temperature_c, pressure_kpa=pressure_kpa)
    require_in_range("mass_g", mass_g, 0.0, 100_000.0, "g")
    require_positive("u_mass_g", u_mass_g, "g")
    require_in_range("evaporation_g", evaporation_g, 0.0, 1000.0, "g")
    density, u_density, slope = _density(density_kg_m3, u_density_kg_m3, expansion_per_k, place)
    air = air_kg_m3(place.temperature_c, place.pressure_kpa, place.humidity_percent)
    ml_per_g = _ml_per_g(density, air)
    volume = (mass_g + evaporation_g) * ml_per_g
    budget = (
        Contribution(source="scale", u_ml=u_mass_g * ml_per_g),
        Contribution(source="calibration of the scale", u_ml=volume * u_factor, is_common=True),
        *_of_density_and_air(volume, place, (density, u_density, slope)),
        Contribution(source="evaporation", u_ml=0.5 * evaporation_g * ml_per_g),
        Contribution(source="hold-up in the funnel", u_ml=u_hold_up_ml),
    )
    return Volume(volume_ml=volume, u_volume_ml=math.hypot(*(one.u_ml for one in budget)), budget=budget)


def _of_density_and_air(volume: float, place: RoomAir, liquid: tuple[float, float, float]) -> tuple[Contribution, ...]:
    """What density and the place's air add to the uncertainty of a volume (mL). liquid: as `_density` gives it."""
    density, u_density, slope = liquid
    air = air_kg_m3(place.temperature_c, place.pressure_kpa, place.humidity_percent)
    u_thermal = slope * place.u_temperature_c
    u_buoyancy = _u_air_kg_m3(place) * abs(1.0 / (density - air) - 1.0 / (WEIGHTS_KG_M3 - air))
    return (
        Contribution(source="density", u_ml=volume * u_density / (density - air), is_common=True),
        Contribution(source="temperature", u_ml=volume * u_thermal / (density - air), is_common=True),
        Contribution(source="buoyancy", u_ml=volume * u_buoyancy, is_common=True),
    )


def _density(
    density_kg_m3: float | None, u_density_kg_m3: float | None, expansion_per_k: float, place: RoomAir
) -> tuple[float, float, float]:
    """Density, its standard uncertainty (kg/m3) and its fall with temperature (kg/m3/K, as a positive number)."""
    if density_kg_m3 is None:
        low, high = max(0.0, place.temperature_c - 0.5), min(40.0, place.temperature_c + 0.5)
        slope = abs(water_kg_m3(high) - water_kg_m3(low)) / (high - low)
        return water_kg_m3(place.temperature_c), U_WATER_KG_M3 if u_density_kg_m3 is None else u_density_kg_m3, slope
    require_in_range("density_kg_m3", density_kg_m3, 500.0, 2000.0, "kg/m3")
    require_in_range("expansion_per_k", expansion_per_k, 0.0, 0.01, "1/K")
    u_density = U_GIVEN_KG_M3 if u_density_kg_m3 is None else u_density_kg_m3
    require_in_range("u_density_kg_m3", u_density, 0.0, 500.0, "kg/m3")
    return density_kg_m3, u_density, expansion_per_k * density_kg_m3


def _u_air_kg_m3(place: RoomAir) -> float:
    """Standard uncertainty of the air's density: pressure, temperature, humidity."""
    air = air_kg_m3(place.temperature_c, place.pressure_kpa, place.humidity_percent)
    moist = air_kg_m3(place.temperature_c, place.pressure_kpa, 100.0) - air_kg_m3(
        place.temperature_c, place.pressure_kpa, 0.0
    )
    return math.hypot(
        air * place.u_pressure_kpa / place.pressure_kpa,
        air * place.u_temperature_c / (place.temperature_c + 273.15),
        moist * place.u_humidity_percent / 100.0,
    )


def liquid_volume_ml(
    mass_g: float,
    liquid: Liquid,
    *,
    u_mass_g: float = 0.05,
    u_factor: float = 0.0,
    evaporation_g: float = 0.0,
    u_hold_up_ml: float = 0.0,
    room: RoomAir | None = None,
) -> Volume:
    """Volume of a displayed net mass of a liquid of the book, at the room's temperature; see `volume_ml`."""
    place = room or RoomAir()
    density, u_density = liquid_kg_m3(liquid, place.temperature_c)
    low, high = max(0.0, place.temperature_c - 1.0), min(40.0, place.temperature_c + 1.0)
    change = (liquid_kg_m3(liquid, low)[0] - liquid_kg_m3(liquid, high)[0]) / (high - low)
    return volume_ml(
        mass_g,
        density_kg_m3=density,
        u_density_kg_m3=u_density,
        expansion_per_k=abs(change) / density,
        u_mass_g=u_mass_g,
        u_factor=u_factor,
        evaporation_g=evaporation_g,
        u_hold_up_ml=u_hold_up_ml,
        room=place,
    )
