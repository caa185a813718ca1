"""What the simulated machine really is: the profile's nominal figures, each a little off. Only the bench reads them."""

import math
from collections.abc import Collection
from random import Random

from msgspec.structs import replace

from controller.bench.cell_truth import UNDISTURBED, CellEffect, CellTruth, draw_cell
from controller.bench.effects import Effect
from controller.bench.fluids import AIR, CLEANER, RINSE_WATER, FluidTruth, at, nominal_fluid
from controller.bench.gas import GasTruth, draw_gas
from controller.bench.surroundings import BOTTLE_M, RUN_BACK_ML_H, RoomTruth, StepsTruth
from controller.bench.tube_set import SetTruth, draw_set
from controller.bench.warming import WarmingTruth, draw_warming
from controller.model.book import Book
from controller.model.fields import Value
from controller.model.profile import Line, Profile, Wire
from controller.model.wiring import MainRelay

COPPER_OHM_MM2_M = 0.017241  # annealed copper at 20 C, IEC 60028 (from memory)

# How far the true figures lie from the nominal ones: half-widths of a uniform spread, as fractions.
# Common practice, no source, except pump to pump +-10 to 25 % (Omega FPU5MT manual, tables 9-2 and 9-3).
FLOW_SPREAD = 0.15
CURRENT_SPREAD = 0.10
DISPLACEMENT_SPREAD = 0.10  # of the tube, mL/rev: what it takes from the speed it leaves to the flow
TIME_SPREAD = 0.20  # run-up, coast, relay times
SUPPLY_VOLTAGE_SPREAD = 0.02
CONNECTOR_EXCESS = 0.25  # wires are never better than their copper; connectors add up to this fraction
VISCOSITY_SPREAD = 0.10
DENSITY_SPREAD = 0.001
CO2_SPREAD = 0.15  # about 3.5 volumes; soft drinks have 1.5 to 4

RUN_UP_PER_INRUSH = 1 / 3  # time constant per data-sheet inrush time: after three of them 95 % is over
# Bore in mm and displacement in mL/rev, tubing with a 1/16 in wall: Omega FPU5MT manual, table 9-2.
DISPLACEMENT = ((0.79, 0.05), (1.59, 0.22), (3.175, 0.9), (4.76, 1.9), (6.35, 3.0), (7.94, 3.8))
# Pitch radius of the head of a hobby pump with 2 mm bore tube, and what rollers and a tube that does not reopen fully
# leave of its geometric displacement; common practice, no source.
SMALL_HEAD_BORE_MM, SMALL_HEAD_RADIUS_MM, SMALL_HEAD_SHARE = 2.5, 10.0, 0.8
COAST_S = 0.06  # from full speed to rest against the rollers' friction; common practice, no source
WEAR_PER_REV = 2e-8  # "several per cent over life" (from memory): 1.8 % in 50 h at 5 rev/s
STEADY_TORQUE_FRACTION = 0.7  # share of the run current that does not depend on speed; common practice, no source


class PumpTruth(Value, frozen=True, kw_only=True):
    """One pump with its tube element. The angle is counted in revolutions of the rotor."""

    speed_rev_s: float  # steady, at the supply's nominal voltage
    volume_ml_rev: float  # displaced by a new tube
    rollers: int
    pulsation: float  # amplitude of volume per angle, as a fraction of its mean
    phase_rev: float  # where the rotor stands at the start
    run_up_s: float  # time constant
    coast_s: float  # from full speed to rest, at constant deceleration
    run_a: float
    inrush_a: float
    wire_ohm: float  # there and back
    suction_kpa: float
    suction_loss: float  # fraction of the displacement lost at the full suction vacuum
    scatter: float  # standard deviation of the volume from run to run, as a fraction
    wear_per_rev: float


class LineTruth(Value, frozen=True, kw_only=True):
    """One line."""

    pump: PumpTruth
    bore_mm: float
    suction_m: float
    lift_m: float
    suction_ml: float
    delivery_ml: float
    operate_s: float
    release_s: float
    low_ml: float  # container volume below which its level contact leaves its rest
    warming: WarmingTruth | None = None  # effects, each as drawn or as good as absent
    tube_set: SetTruth | None = None
    gas: GasTruth | None = None
    run_back_ml_s: float = 0.0
    container_m: float = 0.0  # height of the liquid in a full container
    is_turbulent: bool = False  # whether fast flow in the suction tube loses more than laminar flow


class SupplyTruth(Value, frozen=True, kw_only=True):
    """The supply and what it always carries."""

    voltage_v: float
    nominal_v: float
    source_ohm: float
    feed_ohm: float
    standing_a: float  # computer and lamps
    coil_a: float  # per relay that is pulled in, drawn from the supply


class FunnelTruth(Value, frozen=True, kw_only=True):
    """Funnel, tray and scale."""

    drain_ml_s: float
    drain_time_s: float  # time constant of the funnel running empty
    capacity_ml: float
    film_ml: float  # stays on the funnel for ever
    tray_capacity_ml: float


class Truth(Value, frozen=True, kw_only=True):
    """The whole simulated machine, drawn once from a seed."""

    seed: int
    supply: SupplyTruth
    lines: dict[int, LineTruth]
    fluids: dict[str, FluidTruth]
    funnel: FunnelTruth
    main_relay: MainRelay | None = None
    supply_steps: StepsTruth | None = None
    room: RoomTruth | None = None  # none: everything is at 20 C
    has_run_s: float = 0.0  # how long the pumps have run before the start
    cell: CellTruth | None = None  # under the glass


def draw(
    profile: Profile,
    book: Book,
    seed: int,
    *,
    effects: Collection[Effect] = (),
    has_run_s: float = 0.0,
    cell: Collection[CellEffect] | None = None,
) -> Truth:
    """Draw the true machine; every line and liquid has its own random stream, so one does not disturb another.

    effects: those that the machine has beyond what every bench has; has_run_s: how long its pumps have run (s). cell:
    the effects of the load cell, if the profile has a scale; those of one that nobody knocks against, when not given.
    """
    return Truth(
        seed=seed,
        supply=_supply(profile, Random(f"{seed}/supply")),
        lines={line.line: _line(profile, line, seed, effects) for line in profile.lines},
        fluids=_fluids(book, seed),
        funnel=_funnel(profile, Random(f"{seed}/funnel")),
        main_relay=_main_relay(profile.main_relay, Random(f"{seed}/main relay")),
        supply_steps=StepsTruth(seed=seed) if "supply steps" in effects else None,
        room=RoomTruth(room_c=Random(f"{seed}/room").uniform(18.0, 28.0)) if "temperature" in effects else None,
        has_run_s=has_run_s,
        cell=_cell(profile, seed, UNDISTURBED if cell is None else cell),
    )


def _cell(profile: Profile, seed: int, effects: Collection[CellEffect]) -> CellTruth | None:
    if profile.scale is None:
        return None
    lines = [line.line for line in profile.lines]
    scale = profile.scale
    return draw_cell(seed, lines, capacity_g=scale.capacity_g, rate_hz=scale.readings_per_s, effects=effects)


def _near(rng: Random, nominal: float, spread: float) -> float:
    return nominal * (1 + rng.uniform(-spread, spread))


def _copper_ohm(wire: Wire) -> float:
    return COPPER_OHM_MM2_M * 2 * wire.length_m / wire.section_mm2


def _supply(profile: Profile, rng: Random) -> SupplyTruth:
    supply, board, relays = profile.supply, profile.board, profile.relay_board
    board_a = board.load_a * board.load_v / (supply.step_down_efficiency * supply.voltage_v)
    return SupplyTruth(
        voltage_v=_near(rng, supply.voltage_v, SUPPLY_VOLTAGE_SPREAD),
        nominal_v=supply.voltage_v,
        source_ohm=supply.source_ohm * rng.uniform(1.0, 1.0 + CONNECTOR_EXCESS),
        feed_ohm=_copper_ohm(supply.feed) * rng.uniform(1.0, 1.0 + CONNECTOR_EXCESS),
        standing_a=_near(rng, board_a + supply.lamps_a, CURRENT_SPREAD),
        coil_a=_near(rng, relays.coil_a * relays.coil_v / supply.voltage_v, CURRENT_SPREAD),
    )


def _main_relay(main: MainRelay | None, rng: Random) -> MainRelay | None:
    if main is None:
        return None
    operate_s, release_s = _near(rng, main.operate_s, TIME_SPREAD), _near(rng, main.release_s, TIME_SPREAD)
    return replace(main, operate_s=operate_s, release_s=release_s)


def _line(profile: Profile, line: Line, seed: int, effects: Collection[Effect]) -> LineTruth:
    area_mm2, rng = math.pi / 4 * line.tube.bore_mm**2, Random(f"{seed}/line {line.line}")

    def stream(what: str) -> Random:
        return Random(f"{seed}/{what} {line.line}")

    pump = _pump(line, rng)
    return LineTruth(
        pump=pump,
        bore_mm=line.tube.bore_mm,
        suction_m=line.tube.suction_m,
        lift_m=line.tube.lift_m,
        suction_ml=area_mm2 * line.tube.suction_m,  # mm2 * m = mL
        delivery_ml=area_mm2 * line.tube.delivery_m,
        operate_s=_near(rng, profile.relay_board.operate_s, TIME_SPREAD),
        release_s=_near(rng, profile.relay_board.release_s, TIME_SPREAD),
        low_ml=rng.uniform(60.0, 120.0),
        warming=draw_warming(stream("warming")) if "warming" in effects else None,
        tube_set=draw_set(stream("set"), pump.speed_rev_s) if "new tube" in effects else None,
        gas=draw_gas(stream("gas")) if "gas" in effects else None,
        run_back_ml_s=stream("run-back").uniform(*RUN_BACK_ML_H) / 3600 if "run-back" in effects else 0.0,
        container_m=stream("level").uniform(*BOTTLE_M) if "level" in effects else 0.0,
        is_turbulent="turbulence" in effects,
    )


def _pump(line: Line, rng: Random) -> PumpTruth:
    pump = line.pump
    volume_ml_rev = _near(rng, _displacement_ml_rev(line.tube.bore_mm), DISPLACEMENT_SPREAD)
    return PumpTruth(
        speed_rev_s=_near(rng, pump.nominal_flow_ml_s, FLOW_SPREAD) / volume_ml_rev,
        volume_ml_rev=volume_ml_rev,
        rollers=rng.choice((3, 3, 4)),
        pulsation=rng.uniform(0.3, 0.7),
        phase_rev=rng.random(),
        run_up_s=_near(rng, pump.inrush_s * RUN_UP_PER_INRUSH, TIME_SPREAD),
        coast_s=_near(rng, COAST_S, TIME_SPREAD),
        run_a=_near(rng, pump.run_a, CURRENT_SPREAD),
        # An inrush below the run current would be a motor that cannot start.
        inrush_a=max(_near(rng, pump.inrush_a, CURRENT_SPREAD), 1.25 * pump.run_a * (1 + CURRENT_SPREAD)),
        wire_ohm=_copper_ohm(line.wire) * rng.uniform(1.0, 1.0 + CONNECTOR_EXCESS),
        suction_kpa=_near(rng, pump.suction_kpa, FLOW_SPREAD),
        suction_loss=rng.uniform(0.05, 0.15),
        scatter=rng.uniform(0.002, 0.004),
        wear_per_rev=_near(rng, WEAR_PER_REV, 0.5),
    )


def _displacement_ml_rev(bore_mm: float) -> float:
    """Narrow tubes sit in small heads: what stands in one turn there, less what the rollers take."""
    if bore_mm < SMALL_HEAD_BORE_MM:
        return SMALL_HEAD_SHARE * math.pi / 4 * bore_mm**2 * 2 * math.pi * SMALL_HEAD_RADIUS_MM / 1000
    return at(bore_mm, DISPLACEMENT)


def _fluids(book: Book, seed: int) -> dict[str, FluidTruth]:
    fluids = {AIR: FluidTruth(density_kg_m3=1.2, viscosity_mpa_s=0.018)}  # at 20 C, from memory
    water = FluidTruth(density_kg_m3=998.2, viscosity_mpa_s=1.002)
    for name, nominal in [
        (CLEANER, FluidTruth(density_kg_m3=1010.0, viscosity_mpa_s=1.1)),
        (RINSE_WATER, water),
        *((liquid.liquid, nominal_fluid(liquid)) for liquid in book.liquids),
    ]:
        rng = Random(f"{seed}/fluid {name}")
        fluids[name] = FluidTruth(
            density_kg_m3=_near(rng, nominal.density_kg_m3, DENSITY_SPREAD),
            viscosity_mpa_s=_near(rng, nominal.viscosity_mpa_s, VISCOSITY_SPREAD),
            co2_volumes=_near(rng, nominal.co2_volumes, CO2_SPREAD),
            served_c=nominal.served_c,
        )
    return fluids


def _funnel(profile: Profile, rng: Random) -> FunnelTruth:
    return FunnelTruth(
        drain_ml_s=profile.funnel.drain_ml_s * rng.uniform(1.05, 1.2),
        drain_time_s=rng.uniform(0.12, 0.2),
        capacity_ml=_near(rng, profile.funnel.capacity_ml, 0.05),
        film_ml=rng.uniform(0.1, 0.25),
        tray_capacity_ml=rng.uniform(400.0, 600.0),
    )
