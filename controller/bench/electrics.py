"""Supply, wires and motors: how fast each running pump turns, and what it draws.

Each motor is a brushed one: V = R I + E u, with u its speed as a fraction of the nominal one. Its load torque, so its
current, is partly constant and partly grows with speed. All motors hang on one node behind the supply's and the feed's
resistance; each has its own wire from there. That makes a linear system, diagonal plus rank one, solved in closed form.
"""

from collections.abc import Mapping

from controller.bench.truth import STEADY_TORQUE_FRACTION, PumpTruth, SupplyTruth
from controller.bench.warming import COLD, Heat

NO_HEAT: Mapping[int, Heat] = {}


class SteadyLoads:
    """The steady state of the motors that are switched on: node voltage, and per line speed fraction and current."""

    def __init__(self, node_v: float, speed: dict[int, float], current_a: dict[int, float]) -> None:
        self.node_v, self.speed, self.current_a = node_v, speed, current_a


def steady(
    supply: SupplyTruth,
    pumps: Mapping[int, PumpTruth],
    stalled: set[int],
    relays_on: int,
    heat: Mapping[int, Heat] = NO_HEAT,
) -> SteadyLoads:
    """Steady speeds (fractions of nominal) and currents (A) of pumps that are switched on, by line number."""
    open_v, shared_ohm = _source(supply, relays_on)
    rows = {}
    alpha_sum = beta_sum = 0.0
    for number, pump in pumps.items():
        warm = heat.get(number, COLD)
        emf_v, loop_ohm = _motor(supply, pump, warm)
        run_a = pump.run_a / warm.flux  # the same torque takes more current from a weaker magnet
        fixed_a = STEADY_TORQUE_FRACTION * run_a
        if number in stalled:
            rows[number] = (0.0, 1 / loop_ohm, 0.0, 1.0)
        else:
            by_speed_a = run_a - fixed_a
            volts_at_rest, volts_per_speed = loop_ohm * fixed_a, loop_ohm * by_speed_a + emf_v
            beta = by_speed_a / volts_per_speed
            rows[number] = (fixed_a - beta * volts_at_rest, beta, volts_at_rest, volts_per_speed)
        alpha_sum += rows[number][0]
        beta_sum += rows[number][1]
    node_v = (open_v - shared_ohm * alpha_sum) / (1 + shared_ohm * beta_sum)
    speed, current_a = {}, {}
    for number, (alpha, beta, volts_at_rest, volts_per_speed) in rows.items():
        # Below the voltage that overcomes friction a motor stands still.
        speed[number] = 0.0 if number in stalled else max((node_v - volts_at_rest) / volts_per_speed, 0.0)
        current_a[number] = alpha + beta * node_v
    return SteadyLoads(node_v, speed, current_a)


def instant(
    supply: SupplyTruth,
    pumps: Mapping[int, PumpTruth],
    speed: Mapping[int, float],
    relays_on: int,
    heat: Mapping[int, Heat] = NO_HEAT,
) -> tuple[float, float]:
    """Pumps' total current (A) and the board's input voltage (V) while the motors turn at these speed fractions.

    A motor at rest draws its inrush current: its winding alone holds the current back.
    """
    open_v, shared_ohm = _source(supply, relays_on)
    back_a = conductance = 0.0
    for number, pump in pumps.items():
        emf_v, loop_ohm = _motor(supply, pump, heat.get(number, COLD))
        back_a += emf_v * speed[number] / loop_ohm
        conductance += 1 / loop_ohm
    node_v = (open_v + shared_ohm * back_a) / (1 + shared_ohm * conductance)
    pumps_a = conductance * node_v - back_a
    return pumps_a, open_v - supply.source_ohm * pumps_a


def _source(supply: SupplyTruth, relays_on: int) -> tuple[float, float]:
    """Voltage at the common point with no pump running, and the resistance that all pumps share."""
    other_a = supply.standing_a + relays_on * supply.coil_a
    return supply.voltage_v - supply.source_ohm * other_a, supply.source_ohm + supply.feed_ohm


def _motor(supply: SupplyTruth, pump: PumpTruth, warm: Heat) -> tuple[float, float]:
    """Back voltage at nominal speed, and resistance of winding and own wire."""
    motor_ohm = supply.nominal_v / pump.inrush_a
    emf_v = supply.nominal_v - motor_ohm * pump.run_a
    return emf_v * warm.flux, motor_ohm * warm.winding + pump.wire_ohm
