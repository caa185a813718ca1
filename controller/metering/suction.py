"""Whether a pump can draw a liquid through its suction tube, what flow to expect, and what would help."""

import math
from collections.abc import Callable
from typing import Literal

from msgspec import structs

from controller.metering.density import liquid_kg_m3
from controller.metering.hydraulics import LAMINAR_REYNOLDS, friction_pa, reynolds
from controller.metering.viscosity import liquid_mpa_s
from controller.model.book import Liquid
from controller.model.fields import Value
from controller.model.profile import Line, Pump, Tube

GRAVITY_M_S2 = 9.80665  # standard acceleration of free fall (3rd CGPM, 1901)

# The tube refills a little less as the pump draws harder: this fraction less at the most vacuum it can draw. Common
# practice, no source; a spot check measures it.
REFILL_LOSS = 0.1
# Share of the pump's vacuum that may be needed before the line is called marginal: data sheet and viscosity are not
# better known than that.
MARGIN = 0.8
_BORE_STEP_MM, _LENGTH_STEP_M, _BRIX_STEP = 0.5, 0.05, 1.0
_MOST_BORE_MM = 12.0


class Draw(Value, frozen=True, kw_only=True):
    """How a pump draws a liquid through its suction tube, at one temperature.

    At the pump's nominal flow: friction_kpa and lift_kpa (negative when the container stands above
    the pump) against suction_kpa, the vacuum that the pump can draw. flow_fraction: the flow to expect, as a fraction
    of nominal. bore_mm (at least), length_m (at most), brix (at most): each by itself would do; None when it would not.
    """

    verdict: Literal["draws", "marginal", "starves"]
    temperature_c: float
    viscosity_mpa_s: float
    density_kg_m3: float
    reynolds: float
    friction_kpa: float
    lift_kpa: float
    suction_kpa: float
    flow_fraction: float
    bore_mm: float | None
    length_m: float | None
    brix: float | None
    text: str

    @property
    def is_good(self) -> bool:
        """Whether nothing needs to change."""
        return self.verdict == "draws"


def flow_fraction(tube: Tube, pump: Pump, viscosity_mpa_s: float, density_kg_m3: float) -> float:
    """Flow to expect as a fraction of the pump's nominal flow, 0 to 1.

    A peristaltic pump moves what its tube refills with: the nominal flow less REFILL_LOSS in proportion to the vacuum,
    up to the most vacuum it can draw; that vacuum then sets the flow. An estimate for comparing liquids and tubes.
    """
    limit_pa = 1000.0 * pump.suction_kpa

    def friction_at(fraction: float) -> float:
        flow_ml_s = fraction * pump.nominal_flow_ml_s
        return friction_pa(flow_ml_s, viscosity_mpa_s, density_kg_m3, tube.bore_mm, tube.suction_m) / limit_pa

    friction = friction_at(1.0)
    lift = density_kg_m3 * GRAVITY_M_S2 * tube.lift_m / limit_pa
    if reynolds(pump.nominal_flow_ml_s, viscosity_mpa_s, density_kg_m3, tube.bore_mm) >= LAMINAR_REYNOLDS:
        return _most(
            lambda fraction: (
                fraction <= 1.0 - REFILL_LOSS * (lift + friction_at(fraction)) and lift + friction_at(fraction) <= 1.0
            )
        )
    refilled = min(1.0, (1.0 - REFILL_LOSS * lift) / (1.0 + REFILL_LOSS * friction))
    if lift + friction * refilled <= 1.0:
        return refilled
    return max(0.0, (1.0 - lift) / friction) if friction > 0.0 else 0.0


def _most(holds: Callable[[float], bool]) -> float:
    """The greatest fraction for which this holds, by bisection; it holds from 0 up to somewhere, or nowhere."""
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def check_suction(line: Line, liquid: Liquid, temperature_c: float | None = None) -> Draw:
    """Can this line's pump draw this liquid? At temperature_c (0 to 40 C), or as the liquid is served.

    "starves": the nominal flow needs more vacuum than the pump can draw. "marginal": it needs more than MARGIN of it.
    """
    at_c = liquid.served_at_c if temperature_c is None else temperature_c
    viscosity, _ = liquid_mpa_s(liquid, at_c)
    density, _ = liquid_kg_m3(liquid, at_c)
    tube, pump = line.tube, line.pump
    number = reynolds(pump.nominal_flow_ml_s, viscosity, density, tube.bore_mm)
    friction_kpa = friction_pa(pump.nominal_flow_ml_s, viscosity, density, tube.bore_mm, tube.suction_m) / 1000.0
    lift_kpa = density * GRAVITY_M_S2 * tube.lift_m / 1000.0
    fraction = flow_fraction(tube, pump, viscosity, density)
    plain = Draw(
        verdict=_verdict((friction_kpa + lift_kpa) / pump.suction_kpa),
        temperature_c=at_c,
        viscosity_mpa_s=viscosity,
        density_kg_m3=density,
        reynolds=number,
        friction_kpa=friction_kpa,
        lift_kpa=lift_kpa,
        suction_kpa=pump.suction_kpa,
        flow_fraction=fraction,
        bore_mm=None,
        length_m=None,
        brix=None,
        text="",
    )
    if not plain.is_good:
        plain = structs.replace(
            plain,
            bore_mm=_bore_mm(plain, line),
            length_m=_length_m(plain, tube),
            brix=_brix(plain, line, liquid),
        )
    return structs.replace(plain, text=_text(plain, line, liquid))


def _verdict(needed: float) -> Literal["draws", "marginal", "starves"]:
    if needed > 1.0:
        return "starves"
    return "marginal" if needed > MARGIN else "draws"


def _friction_room_kpa(draw: Draw) -> float:
    """Friction at nominal flow that would keep the margin; not positive when the lift alone is too much."""
    return MARGIN * draw.suction_kpa - draw.lift_kpa


def _bore_mm(draw: Draw, line: Line) -> float | None:
    """Smallest bore, in steps of 0.5 mm, that draws; None when none up to 12 mm does: wider tube fits no such pump."""
    room_kpa = _friction_room_kpa(draw)
    if room_kpa <= 0.0:
        return None
    flow_ml_s, tube = line.pump.nominal_flow_ml_s, line.tube
    first = math.ceil(tube.bore_mm / _BORE_STEP_MM)
    for bore_mm in (_BORE_STEP_MM * step for step in range(first, round(_MOST_BORE_MM / _BORE_STEP_MM) + 1)):
        loss_pa = friction_pa(flow_ml_s, draw.viscosity_mpa_s, draw.density_kg_m3, bore_mm, tube.suction_m)
        if loss_pa <= 1000.0 * room_kpa:
            return bore_mm
    return None


def _length_m(draw: Draw, tube: Tube) -> float | None:
    """Longest suction tube, in steps of 0.05 m, that draws; None when none is left."""
    room_kpa = _friction_room_kpa(draw)
    if room_kpa <= 0.0 or draw.friction_kpa <= 0.0:
        return None
    length_m = math.floor(tube.suction_m * room_kpa / draw.friction_kpa / _LENGTH_STEP_M) * _LENGTH_STEP_M
    return round(length_m, 2) if length_m >= max(_LENGTH_STEP_M, tube.lift_m) else None


def _brix(draw: Draw, line: Line, liquid: Liquid) -> float | None:
    """Strongest mix with at most its own volume of water, in whole Brix, that draws; None when there is none.

    Only for liquids with sugar and without alcohol: nobody waters a liqueur.
    """
    if not liquid.brix or liquid.abv_percent > 0.0:
        return None
    modelled, _ = liquid_mpa_s(structs.replace(liquid, viscosity_mpa_s=None), draw.temperature_c)
    brix, tube = math.ceil(liquid.brix) - _BRIX_STEP, line.tube
    while brix > 0.0 and _water_ml(draw, liquid.brix, brix) <= 1000.0:
        thinner = structs.replace(liquid, brix=brix, viscosity_mpa_s=None, density_kg_m3=None)
        # A viscosity given in the book stays ahead of the formula, less so the nearer to water (both on a log scale).
        ahead = (draw.viscosity_mpa_s / modelled) ** (brix / liquid.brix)
        viscosity = liquid_mpa_s(thinner, draw.temperature_c)[0] * ahead
        density = liquid_kg_m3(thinner, draw.temperature_c)[0]
        loss_pa = friction_pa(line.pump.nominal_flow_ml_s, viscosity, density, tube.bore_mm, tube.suction_m)
        if (loss_pa + density * GRAVITY_M_S2 * tube.lift_m) / 1000.0 <= MARGIN * draw.suction_kpa:
            return brix
        brix -= _BRIX_STEP
    return None


def _water_ml(draw: Draw, brix: float, wanted_brix: float) -> float:
    """Water to add to each litre of the liquid, mL."""
    return draw.density_kg_m3 * (brix / wanted_brix - 1.0)


def _text(draw: Draw, line: Line, liquid: Liquid) -> str:
    """The verdict in one or two sentences, with numbers and remedies."""
    tube, pump = line.tube, line.pump
    what = f"line {line.line}: {liquid.liquid} at {draw.temperature_c:g} C ({draw.viscosity_mpa_s:.3g} mPa*s)"
    way = f"{tube.bore_mm:g} mm x {tube.suction_m:g} m of suction tube"
    kind = "" if draw.reynolds < LAMINAR_REYNOLDS else f" (turbulent, Reynolds number {draw.reynolds:.0f})"
    needs = (
        f"{draw.friction_kpa:.3g} kPa of friction{kind} and {draw.lift_kpa:.2g} kPa of lift at "
        f"{pump.nominal_flow_ml_s:.3g} mL/s, the pump draws {draw.suction_kpa:g} kPa"
    )
    expect = f"expect {100 * draw.flow_fraction:.0f} % of the nominal flow"
    if draw.is_good:
        return f"{what} draws through {way}: {needs}; {expect}."
    verb = "will not draw its flow" if draw.verdict == "starves" else "barely draws"
    return f"{what} {verb} through {way}: {needs}; {expect}. {_remedies(draw, liquid)}"


def _remedies(draw: Draw, liquid: Liquid) -> str:
    ways = []
    if draw.bore_mm is not None:
        ways.append(f"a bore of {draw.bore_mm:g} mm or more")
    if draw.length_m is not None:
        ways.append(f"at most {draw.length_m:g} m of suction tube")
    if draw.brix is not None and liquid.brix:
        water_ml = _water_ml(draw, liquid.brix, draw.brix)
        ways.append(f"dilution to {draw.brix:g} Brix ({water_ml:.0f} mL of water to each litre)")
    if not ways:
        return "Set the container higher or take a stronger pump."
    return f"Would do: {', or '.join(ways)}."
