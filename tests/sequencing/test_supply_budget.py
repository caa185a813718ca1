"""The supply budget against the wire tables and against arithmetic by hand."""

import csv
import math
from pathlib import Path
from typing import Any

import msgspec
import pytest

from controller.model.profile import BoardSpec, Caps, Funnel, Line, Profile, Pump, RelayBoard, Supply, Tube, Wire
from controller.model.wiring import Inputs, MainRelay, StopContact
from controller.quantities import awg_mm2
from controller.sequencing.budget import BudgetRow, SupplyBudget, supply_budget, wire_ohm

HANDBOOK = Path(__file__).resolve().parents[1] / "reference" / "awg_handbook.csv"

CAPS = Caps(
    serving_volume_ml=350.0,
    serving_time_s=60.0,
    run_on_s=45.0,
    operation_on_s=60.0,
    duty_fraction=0.6,
    duty_window_s=600.0,
    current_a=3.4,
    flow_ml_s=35.0,
    concurrent=6,
    start_gap_s=0.1,
    line_volume_ml=150.0,
    jog_s=2.0,
    serving_ethanol_g=20.0,
    hour_ethanol_g=400.0,
    hour_servings=60,
    serving_pause_s=2.0,
    held_s=120.0,
)


def line(number: int, run_a: float = 0.6, inrush_a: float = 1.6) -> Line:
    return Line(
        line=number,
        gpio=number + 1,
        channel=number,
        pump=Pump(nominal_flow_ml_s=4.8, run_a=run_a, inrush_a=inrush_a, inrush_s=0.1, rotation="clockwise"),
        tube=Tube(bore_mm=4.0, suction_m=0.4, delivery_m=0.5, lift_m=0.2),
        wire=Wire(section_mm2=0.5, length_m=1.0),
    )


def machine(*lines: Line, caps: Caps = CAPS, **supply: float) -> Profile:
    plain: dict[str, Any] = {
        "voltage_v": 12.0,
        "rated_a": 5.0,
        "continuous_fraction": 0.8,
        "source_ohm": 0.1,
        "step_down_efficiency": 0.8,
        "step_down_min_v": 7.0,
        "lamps_a": 0.15,
    }
    return Profile(
        machine="fete machine",
        board=BoardSpec(backend="gpio", load_a=0.96, load_v=5.0),
        supply=Supply(feed=Wire(section_mm2=1.0, length_m=1.0), **(plain | supply)),
        relay_board=RelayBoard(
            channels=8, active_level="low", operate_s=0.01, release_s=0.005, coil_a=0.03, coil_v=12.0
        ),
        lines=lines,
        inputs=Inputs(stop=StopContact(gpio=17, contact="normally_closed")),
        funnel=Funnel(drain_ml_s=40.0, capacity_ml=120.0, settle_s=1.0),
        caps=caps,
    )


SIX = machine(*(line(number) for number in range(1, 7)))


def row(budget: SupplyBudget, name: str) -> BudgetRow:
    return next(one for one in budget.rows if one.name == name)


def test_wire_resistance_against_the_handbook_column():
    # Floyd, Electric Circuit Fundamentals, 2nd ed., wire table: ohm per 1000 ft at 20 C.
    with HANDBOOK.open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 10
    for one in rows:
        there_and_back = Wire(section_mm2=awg_mm2(int(one["awg"])), length_m=0.5)
        assert wire_ohm(there_and_back) == pytest.approx(float(one["ohm_per_1000ft"]) / 304.8, rel=5e-4)


def test_voltage_drop_of_a_cable():
    # 2 A through 3 m of 22 AWG there and back: 6 m x 0.05296 ohm/m x 2 A = 0.636 V.
    assert 2 * wire_ohm(Wire(section_mm2=awg_mm2(22), length_m=3.0)) == pytest.approx(0.636, abs=5e-4)


def test_standing_loads():
    budget = supply_budget(SIX)
    # Step-down: 0.96 A x 5 V = 4.8 W, at 80 % 6 W, from 12 V 0.5 A. Six 12 V coils of 0.03 A would be 0.18 A.
    assert row(budget, "computer").value == pytest.approx(0.5)
    assert row(budget, "lamps").value == 0.15
    assert row(budget, "supply, all evening").value == pytest.approx(4.0)
    # All evening 4 A less 0.65 A: five pumps with coils 5 x 0.63 = 3.15 A fit into 3.35 A, six would take 3.78 A.
    assert budget.pumps_at_once == 5
    assert row(budget, "relay coils").value == pytest.approx(0.15)
    assert row(budget, "pumps, running").value == pytest.approx(3.0)
    assert row(budget, "pumps, running").margin == pytest.approx(0.2)


def test_the_last_pump_of_those_that_run_together_must_be_able_to_start():
    # The cap is 3.4 A. Three run at 1.8 A while a fourth starts with 1.6 A: just that. Four at 2.4 A leave 1.0 A.
    budget = supply_budget(SIX)
    assert (budget.pumps_started, budget.pumps_at_once) == (4, 5)


def test_what_is_left_for_pumps():
    budget = supply_budget(SIX)
    # Rated 5 A less computer 0.5, lamps 0.15, five coils 0.15: 4.2 A; the cap of 3.4 A is smaller.
    assert budget.left_a == pytest.approx(4.2)
    assert budget.current_limit_a == 3.4
    assert supply_budget(machine(*SIX.lines, rated_a=4.0)).current_limit_a == pytest.approx(
        4.0 - 0.65 - 0.03 * supply_budget(machine(*SIX.lines, rated_a=4.0)).pumps_at_once
    )


def test_an_inrush_must_not_brown_out_the_computer():
    # The step-down's input may fall by 1 V: through 0.4 ohm 2.5 A. At 11 V the step-down takes 6 W / 11 V = 0.545 A;
    # lamps 0.15 A and five coils 0.15 A: 1.655 A are left, less than the rating leaves.
    budget = supply_budget(machine(*SIX.lines, source_ohm=0.4, step_down_min_v=11.0))
    assert budget.left_a == pytest.approx(2.5 - 6 / 11 - 0.15 - 0.15)
    worst = row(budget, "step-down input, worst inrush")
    assert worst.value == pytest.approx(11.0)
    assert worst.margin == pytest.approx(0.0, abs=1e-9)


def test_voltage_at_the_motors():
    budget = supply_budget(SIX)
    # Five on: pumps 3.0 A, standing 0.5 + 0.15 + 0.15 = 0.8 A. Source 0.1 ohm x 3.8 A = 0.38 V; feed 2 m of 1 mm2,
    # 0.034482 ohm x 3.0 A = 0.1034 V; own wire 2 m of 0.5 mm2, 0.068964 ohm x 0.6 A = 0.0414 V.
    together = row(budget, "line 1 motor, 5 on")
    assert together.value == pytest.approx(12 - 0.38 - 0.1034 - 0.0414, abs=1e-3)
    assert together.limit == pytest.approx(10.8)
    assert together.margin == pytest.approx(together.value - 10.8)
    # Alone: source 0.1 x (0.68 + 0.6), feed 0.034482 x 0.6, own wire as before.
    assert f"{12 - 0.128 - 0.0207 - 0.0414:.2f} V alone" in together.note


def test_coils_below_the_supply_voltage_hang_on_the_step_down():
    relays = msgspec.structs.replace(SIX.relay_board, coil_v=5.0, coil_a=0.096)
    budget = supply_budget(msgspec.structs.replace(SIX, relay_board=relays))
    # 0.096 A x 5 V = 0.48 W, at 80 % 0.6 W, from 12 V 0.05 A each.
    assert row(budget, "relay coils").value == pytest.approx(0.05 * budget.pumps_at_once)


def test_the_coil_of_a_main_relay_counts_as_one_more():
    fed = msgspec.structs.replace(SIX, main_relay=MainRelay(gpio=12, active_level="low"))
    budget = supply_budget(fed)
    # Five pumps and the main relay: six coils of 0.03 A; rated 5 A less 0.5, 0.15 and 0.18.
    assert row(budget, "relay coils").value == pytest.approx(0.18)
    assert row(budget, "relay coils").note == "30 mA each at 12 V, 6 on"
    assert budget.left_a == pytest.approx(4.17)


def test_fuses_are_marked_as_advice():
    budget = supply_budget(SIX)
    # 1.25 x (3.0 + 0.8) = 4.75 A: 5 A. 1.25 x 0.6 = 0.75 A: 1 A.
    assert row(budget, "fuse at the supply").value == 5.0
    assert row(budget, "fuse of one pump").value == 1.0
    assert all("advice" in one.note for one in budget.rows if one.name.startswith("fuse"))


def test_every_line_that_cannot_run_at_all_is_named_with_every_reason():
    greedy = machine(line(1), line(2, run_a=3.5, inrush_a=6.0), line(3, inrush_a=3.6))
    problems = supply_budget(greedy).problems
    # Line 2: running 3.5 A of 4 - 0.68 A; starting 6 A of 5 - 0.68 A, and more than the cap. Line 3: more than the cap.
    assert [text.split(" cannot")[0] for text in problems] == ["line 2", "line 2", "line 2", "line 3"]
    assert "3.50 A running; all evening the supply leaves 3.32 A" in problems[0]
    assert "6.00 A starting; the supply's rating leaves 4.32 A" in problems[1]
    assert "3.60 A starting; the cap on current is 3.40 A" in problems[3]
    assert supply_budget(SIX).problems == ()


def test_a_pump_whose_inrush_browns_out_the_computer():
    # 0.5 V through 0.4 ohm is 1.25 A; at 11.5 V the step-down takes 6 / 11.5 = 0.522 A, lamps and one coil 0.18 A:
    # 0.55 A are left, the inrush is 1.6 A.
    problems = supply_budget(machine(line(1), source_ohm=0.4, step_down_min_v=11.5)).problems
    assert len(problems) == 1
    assert "1.60 A starting; before the computer browns out there are 0.55 A" in problems[0]


def test_margins_are_what_is_left_to_the_limit():
    for one in supply_budget(SIX).rows:
        if one.limit is not None:
            assert one.margin is not None
            assert math.isclose(abs(one.margin), abs(one.limit - one.value), abs_tol=1e-12)
