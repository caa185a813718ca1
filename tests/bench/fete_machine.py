"""A six-line machine of the orchard fete, built in code, for tests of the bench."""

from collections.abc import Container
from typing import Literal

from msgspec.structs import replace

from controller.model.book import Book, Glass, Liquid, OnLine
from controller.model.profile import BoardSpec, Caps, Funnel, Line, Profile, Pump, RelayBoard, Supply, Tube, Wire
from controller.model.scale import Scale
from controller.model.wiring import GlassContact, Inputs, LevelSwitch, StopContact, TrayContact

GPIO = {1: 2, 2: 3, 3: 4, 4: 5, 5: 6, 6: 7}
STOP, GLASS, TRAY, LEVEL_2 = 17, 27, 22, 23

LIQUIDS = (
    Liquid(liquid="apple juice", density_kg_m3=1045.0, viscosity_mpa_s=1.6),
    Liquid(liquid="blackcurrant cordial", brix=55.0, viscosity_mpa_s=28.0),
    Liquid(liquid="ginger syrup", brix=62.0),
    Liquid(liquid="lime cordial", density_kg_m3=1120.0, viscosity_mpa_s=3.0),
    Liquid(liquid="cold tea", density_kg_m3=1000.0, viscosity_mpa_s=1.1),
    Liquid(liquid="soda", density_kg_m3=999.0, viscosity_mpa_s=1.0),
)


def line(number: int, **tube: float) -> Line:
    return Line(
        line=number,
        gpio=GPIO[number],
        channel=number,
        pump=Pump(nominal_flow_ml_s=1.8, run_a=0.35, inrush_a=1.4, inrush_s=0.12, rotation="clockwise"),
        tube=Tube(**{"bore_mm": 4.0, "suction_m": 0.5, "delivery_m": 0.6, "lift_m": 0.2} | tube),
        wire=Wire(section_mm2=0.5, length_m=0.8),
    )


def profile(*, active_level: Literal["low", "high"] = "low", lines: tuple[Line, ...] | None = None) -> Profile:
    return Profile(
        machine="fete bench",
        board=BoardSpec(backend="bench", load_a=0.8, load_v=5.0),
        supply=Supply(
            voltage_v=12.0,
            rated_a=5.0,
            continuous_fraction=0.8,
            source_ohm=0.05,
            feed=Wire(section_mm2=1.0, length_m=1.0),
            step_down_efficiency=0.85,
            step_down_min_v=7.0,
        ),
        relay_board=RelayBoard(
            channels=8, active_level=active_level, operate_s=0.008, release_s=0.005, coil_a=0.07, coil_v=5.0
        ),
        lines=lines or tuple(line(number) for number in GPIO),
        inputs=Inputs(
            stop=StopContact(gpio=STOP, contact="normally_closed"),
            glass=GlassContact(gpio=GLASS, contact="normally_open"),
            drip_tray=TrayContact(gpio=TRAY, contact="normally_open"),
            levels=(LevelSwitch(line=2, gpio=LEVEL_2, contact="normally_open"),) if lines is None else (),
        ),
        funnel=Funnel(drain_ml_s=12.0, capacity_ml=60.0, settle_s=0.8),
        caps=caps(),
    )


def weighing_profile() -> Profile:
    """With a load cell of 5 kg under the glass, read 80 times a second."""
    return replace(profile(), scale=Scale(converter="bench", capacity_g=5000.0))


def caps() -> Caps:
    return Caps(
        serving_volume_ml=400.0,
        serving_time_s=120.0,
        run_on_s=90.0,
        operation_on_s=180.0,
        duty_fraction=0.8,
        duty_window_s=600.0,
        current_a=4.0,
        flow_ml_s=10.0,
        concurrent=5,
        start_gap_s=0.1,
        line_volume_ml=300.0,
        jog_s=1.0,
        serving_ethanol_g=20.0,
        hour_ethanol_g=60.0,
        hour_servings=60,
        serving_pause_s=2.0,
        held_s=600.0,
    )


def book(lines: Container[int] = tuple(GPIO)) -> Book:
    return Book(
        title="orchard fete",
        liquids=LIQUIDS,
        glasses=(Glass(glass="tumbler", brim_ml=300.0, usable_ml=250.0),),
        recipes=(),
        lines=tuple(
            OnLine(line=number, liquid=one.liquid, container_ml=2000.0)
            for number, one in zip(GPIO, LIQUIDS, strict=True)
            if number in lines
        ),
    )
