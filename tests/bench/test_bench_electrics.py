"""Supply, wires and motors, against the raw circuit equations solved by scipy."""

import pytest
from scipy.optimize import fsolve

from controller.bench import electrics
from controller.bench.truth import COPPER_OHM_MM2_M, STEADY_TORQUE_FRACTION, Truth, draw
from tests.bench import fete_machine as fete
from tests.bench.desk import Desk, ideal_truth


@pytest.fixture
def truth() -> Truth:
    return draw(fete.profile(), fete.book(), 7)


def circuit(truth: Truth, running: list[int]) -> dict[int, tuple[float, float]]:
    """Speed fraction and current by line: Kirchhoff's and the motors' equations, one by one, no algebra done."""
    supply, pumps = truth.supply, [truth.lines[number].pump for number in running]

    def residuals(unknown):
        node_v, speeds, currents = unknown[0], unknown[1 : 1 + len(pumps)], unknown[1 + len(pumps) :]
        pumps_a = sum(currents)
        other_a = supply.standing_a + len(pumps) * supply.coil_a
        at_source_v = supply.voltage_v - supply.source_ohm * (pumps_a + other_a)
        rest = [node_v - (at_source_v - supply.feed_ohm * pumps_a)]
        for pump, speed, current in zip(pumps, speeds, currents, strict=True):
            winding_ohm = supply.nominal_v / pump.inrush_a
            emf_v = (supply.nominal_v - winding_ohm * pump.run_a) * speed
            rest.append(node_v - pump.wire_ohm * current - winding_ohm * current - emf_v)
            torque_a = pump.run_a * (STEADY_TORQUE_FRACTION + (1 - STEADY_TORQUE_FRACTION) * speed)
            rest.append(current - torque_a)
        return rest

    found = fsolve(residuals, [11.0] + [0.9] * len(pumps) + [0.3] * len(pumps), xtol=1e-12)
    return dict(zip(running, zip(found[1 : 1 + len(pumps)], found[1 + len(pumps) :], strict=True), strict=True))


@pytest.mark.parametrize("running", [[1], [2, 5], [1, 2, 3, 4, 5, 6]])
def test_steady_speeds_and_currents_solve_the_circuit(truth, running):
    pumps = {number: truth.lines[number].pump for number in running}
    steady = electrics.steady(truth.supply, pumps, set(), len(running))
    for number, (speed, current_a) in circuit(truth, running).items():
        assert steady.speed[number] == pytest.approx(speed, rel=1e-9)
        assert steady.current_a[number] == pytest.approx(current_a, rel=1e-9)


def test_steady_and_instant_agree_once_all_motors_turn_steadily(truth):
    pumps = {number: line.pump for number, line in truth.lines.items()}
    steady = electrics.steady(truth.supply, pumps, set(), len(pumps))
    pumps_a, _ = electrics.instant(truth.supply, pumps, steady.speed, len(pumps))
    assert pumps_a == pytest.approx(sum(steady.current_a.values()), rel=1e-9)


def test_a_motor_at_rest_draws_its_inrush_and_a_stalled_one_keeps_drawing_it(truth):
    pump = truth.lines[1].pump
    at_rest_a, board_v = electrics.instant(truth.supply, {1: pump}, {1: 0.0}, 1)
    # 12 V over the winding alone would give the inrush; supply, feed and wire take a little of it.
    assert 0.85 * pump.inrush_a < at_rest_a < 1.03 * pump.inrush_a
    assert board_v < truth.supply.voltage_v
    stalled = electrics.steady(truth.supply, {1: pump}, {1}, 1)
    assert stalled.current_a[1] == pytest.approx(at_rest_a)
    assert stalled.speed[1] == 0


def test_wires_are_copper_with_at_most_a_quarter_more():
    wire, line = fete.line(1).wire, fete.profile().line(1)
    # 0.8 m of 0.5 mm2, there and back, by the resistivity of IEC 60028 (from memory: 0.017241 ohm mm2/m).
    copper_ohm = 0.017241 * 2 * 0.8 / 0.5
    assert (wire.length_m, wire.section_mm2, COPPER_OHM_MM2_M) == (0.8, 0.5, 0.017241)
    for seed in range(50):
        ohm = draw(fete.profile(lines=(line,)), fete.book(), seed).lines[1].pump.wire_ohm
        assert copper_ohm <= ohm <= 1.25 * copper_ohm


def test_every_other_pump_slows_a_pump_down_a_little_more():
    speeds = []
    for others in range(6):
        desk = Desk(truth=ideal_truth(fete.profile()))
        for line in range(1, others + 2):
            desk.switch(line, True)
        desk.wait(5.0)
        speeds.append(desk.plant.report().lines[0].speed_fraction)
    assert speeds == sorted(speeds, reverse=True) and len(set(speeds)) == 6
    # Five others at 0.35 A through at most 0.11 ohm of 12 V: some per cent, not more.
    assert 0.005 < 1 - speeds[5] / speeds[0] < 0.05


def test_the_lowest_voltage_at_the_board_is_that_of_all_inrushes_together():
    desk = Desk(truth=ideal_truth(fete.profile()))
    for line in range(1, 7):
        desk.switch(line, True)
    desk.wait(2.0)
    report = desk.plant.report()
    assert report.lowest_board_v < report.board_v < desk.plant.truth.supply.voltage_v
    supply = desk.plant.truth.supply
    inrush_a = sum(line.pump.inrush_a for line in desk.plant.truth.lines.values())
    assert report.lowest_board_v > supply.voltage_v - supply.source_ohm * (inrush_a + supply.standing_a + 1.0)
