"""The plant as a whole: what goes in comes out, whoever looks and however often."""

import math
from collections import defaultdict
from random import Random

import pytest
from fluids.friction import friction_factor
from msgspec.structs import replace
from scipy.integrate import solve_ivp

from controller.bench.truth import draw
from controller.errors import Refused
from tests.bench import fete_machine as fete
from tests.bench.desk import Desk, ideal_truth


@pytest.fixture
def desk() -> Desk:
    return Desk()


def evening(desk: Desk, *, look: Random | None = None) -> None:
    """An hour of everything: pours, a glass lifted and forgotten, a bottle changed, a line purged, a tube off."""
    rng = Random(11)

    def look_around() -> None:
        while look and look.random() < 0.7:
            desk.wait(0.0)
            desk.plant.report()
            desk.plant.scale_g()
            desk.plant.true_delivered_ml(look.randint(1, 6))
            desk.link.read_pin(fete.LEVEL_2)
            desk.link.read_pin(fete.TRAY)

    def wait(seconds: float) -> None:
        end_s = desk.clock.now_s() + seconds
        while look and desk.clock.now_s() < end_s - 0.3:
            desk.wait(look.uniform(0.001, 0.3))
            look_around()
        desk.clock.move_to(end_s)

    for turn in range(25):
        if turn % 4 != 3:
            desk.plant.place_glass("tumbler")
        lines = rng.sample(range(1, 7), rng.randint(1, 4))
        for line in lines:
            desk.switch(line, True)
            wait(rng.uniform(0.0, 0.2))
        wait(rng.uniform(1.0, 30.0))
        for line in lines:
            desk.switch(line, False)
            wait(rng.uniform(0.0, 1.0))
        if turn == 8:
            desk.plant.hang(3, "cold tea", 40.0)
        if turn == 12:
            desk.plant.unhang(2)
        wait(3.0)
        if turn % 4 != 3:
            desk.plant.lift_glass()


def books(desk: Desk) -> dict[str, float]:
    """Where all liquid is now, glasses taken away left out."""
    report = desk.plant.report()
    held: defaultdict[str, float] = defaultdict(float)
    for place in (report.glass_ml, report.funnel_ml, report.tray_ml):
        for fluid, volume_ml in place.items():
            held[fluid] += volume_ml
    for line in report.lines:
        for fluid, volume_ml in line.tube:
            held[fluid] += volume_ml
        if line.liquid:
            held[line.liquid] += line.remaining_ml
    held.pop("air", None)
    return held


def test_no_liquid_is_made_and_none_is_lost(desk):
    start = books(desk)
    desk.plant.place_glass(brim_ml=120.0)  # small, so that it overflows
    for line in range(1, 7):
        desk.switch(line, True)
    desk.wait(41.0)
    desk.plant.hang(5, "soda", 25.0)
    start["soda"] += 25.0
    start["cold tea"] = books(desk)["cold tea"]  # the rest of it went away with its container
    for line in range(1, 7):
        desk.wait(9.0)
        desk.switch(line, False)
    assert sum(desk.plant.report().tray_ml.values()) > 100.0
    after = books(desk)
    assert after.keys() == start.keys()
    for liquid, volume_ml in start.items():
        assert after[liquid] == pytest.approx(volume_ml, abs=1e-6), liquid


def test_tubes_hold_what_their_bore_and_length_say(desk):
    evening(desk)
    for line in desk.plant.report().lines:
        # 1.1 m of 4 mm bore: 12.566 mL per metre (handbook of tube volumes, or pi/4 d2).
        assert sum(volume_ml for _, volume_ml in line.tube) == pytest.approx(1.1 * 12.566, rel=1e-4)


def test_reading_the_plant_changes_nothing():
    one, other = Desk(seed=5), Desk(seed=5)
    evening(one)
    evening(other, look=Random(3))
    assert one.clock.now_s() == other.clock.now_s()
    assert one.plant.report() == other.plant.report()
    assert list(one.plant.trace.entries) == list(other.plant.trace.entries)


def test_one_seed_makes_one_machine():
    def delivered(seed: int) -> list[float]:
        desk = Desk(seed=seed)
        desk.fill(1)
        return [desk.run(1, 3.0) for _ in range(3)]

    assert delivered(8) == delivered(8)
    assert delivered(8) != delivered(9)
    assert len(set(delivered(8))) == 3  # runs scatter


def test_the_truth_lies_off_the_profile_within_what_it_says():
    flows = [draw(fete.profile(), fete.book(), seed).lines[1].pump for seed in range(200)]
    ratios = [pump.speed_rev_s * pump.volume_ml_rev / 1.8 for pump in flows]
    assert 0.85 <= min(ratios) < 0.9 and 1.1 < max(ratios) <= 1.15
    assert all(0.9 <= pump.run_a / 0.35 <= 1.1 for pump in flows)


@pytest.mark.parametrize("active_level", ["low", "high"])
def test_nothing_runs_until_a_level_says_so(active_level):
    # GPIO 2 to 7 are pulled up after reset; on an active-high board that runs all pumps until the pins are claimed.
    desk = Desk(fete.profile(active_level=active_level))
    desk.wait(60.0)
    assert all(line.left_outlet_ml == 0 and not line.contact_closed for line in desk.plant.report().lines)


def test_an_empty_line_delivers_nothing_until_it_is_filled(desk):
    tube_ml = desk.plant.truth.lines[5].suction_ml + desk.plant.truth.lines[5].delivery_ml
    flow_ml_s = desk.plant.truth_report()[4].flow_ml_s
    assert desk.run(5, 0.9 * tube_ml / flow_ml_s) == 0
    assert desk.run(5, 0.2 * tube_ml / flow_ml_s) == pytest.approx(0.1 * tube_ml, abs=0.2)


def test_a_purged_line_gives_up_its_tube_and_then_air(desk):
    desk.fill(6)
    desk.plant.unhang(6)
    tube_ml = desk.plant.truth.lines[6].suction_ml + desk.plant.truth.lines[6].delivery_ml
    assert desk.run(6, 30.0) == pytest.approx(tube_ml, abs=1e-6)
    assert desk.plant.report().lines[5].tube == (("air", pytest.approx(tube_ml)),)


def test_rinse_water_pushes_the_liquid_out_before_it(desk):
    desk.fill(5)
    desk.plant.place_glass(brim_ml=500.0)
    desk.plant.hang(5, "rinse water", 1000.0)
    desk.run(5, 60.0)
    held = desk.plant.glass_contents_ml()
    tube_ml = desk.plant.truth.lines[5].suction_ml + desk.plant.truth.lines[5].delivery_ml
    assert held["rinse water"] > 50.0
    assert held["cold tea"] == pytest.approx(tube_ml, abs=0.3)  # the funnel's film of it came too, and part stays
    assert [fluid for fluid, _ in desk.plant.report().lines[4].tube] == ["rinse water"]


def test_a_container_that_runs_out_is_followed_by_air(desk):
    desk.plant.hang(1, "apple juice", 30.0)
    assert desk.run(1, 60.0) == pytest.approx(30.0, abs=1e-6)
    assert desk.plant.container_ml(1) == 0
    assert [fluid for fluid, _ in desk.plant.report().lines[0].tube] == ["air"]


def test_a_liquid_that_the_bench_does_not_know_cannot_be_hung(desk):
    with pytest.raises(Refused, match="the bench knows no 'mead'"):
        desk.plant.hang(1, "mead", 100.0)
    with pytest.raises(Refused, match="the bench knows no 'air'"):
        desk.plant.hang(1, "air", 100.0)


# --- closed forms, worked out here from the truth


@pytest.mark.parametrize("on_s", [0.5, 3.0, 20.0])
def test_volume_is_flow_times_on_time_less_lag(on_s):
    desk = Desk(truth=ideal_truth(fete.profile()))
    desk.fill(6)
    line, pump = desk.plant.truth.lines[6], desk.plant.truth.lines[6].pump
    desk.switch(6, True)
    desk.wait(10.0)
    fraction = desk.plant.report().lines[5].speed_fraction
    desk.switch(6, False)
    desk.wait(2.0)
    flow_ml_s = fraction * pump.speed_rev_s * pump.volume_ml_rev
    lag_s = line.operate_s - line.release_s + pump.run_up_s - fraction * pump.coast_s / 2
    assert desk.run(6, on_s) == pytest.approx(flow_ml_s * (on_s - lag_s), rel=2e-5)
    report = desk.plant.truth_report()[5]
    assert (report.flow_ml_s, report.lag_s) == (pytest.approx(flow_ml_s, rel=1e-6), pytest.approx(lag_s, rel=1e-6))


def test_the_rotor_keeps_its_angle_from_run_to_run():
    desk = Desk(truth=ideal_truth(fete.profile(), pulsation=0.6))
    desk.fill(6)
    pump = desk.plant.truth.lines[6].pump
    runs = [desk.run(6, 0.9) for _ in range(40)]
    # With nothing else that varies, the runs differ only by where the rollers stood; their sum does not even do that.
    ripple_ml = pump.volume_ml_rev * pump.pulsation / (2 * math.pi * pump.rollers)
    mean_ml = sum(runs) / len(runs)
    assert 0.5 * ripple_ml < max(abs(run_ml - mean_ml) for run_ml in runs) <= 2 * ripple_ml
    smooth = Desk(truth=ideal_truth(fete.profile()))
    smooth.fill(6)
    assert sum(runs) == pytest.approx(sum(smooth.run(6, 0.9) for _ in range(40)), abs=2 * ripple_ml + 1e-3)


def test_a_run_against_a_fine_step_integration():
    """Rotor, pulsation and relay times integrated by scipy in small steps, with another pump joining in the middle."""
    desk = Desk(truth=ideal_truth(fete.profile(), pulsation=0.5))
    desk.fill(6)
    line, pump = desk.plant.truth.lines[6], desk.plant.truth.lines[6].pump
    start_revs = rotor_revs(desk)
    alone = steady_speed(desk, [6])
    crowded = steady_speed(desk, [5, 6])
    joins = desk.plant.truth.lines[5].operate_s
    phases = [(4.0 + joins - line.operate_s, alone), (2.0 - joins + line.release_s, crowded)]

    def flow(passed_s, state, target):
        speed, revs, _ = state
        turns = 2 * math.pi * (pump.rollers * revs + pump.phase_rev)
        slowing = pump.speed_rev_s / pump.coast_s
        acceleration = (target - speed) / pump.run_up_s if target else -slowing
        return acceleration, speed, pump.volume_ml_rev * speed * (1 + pump.pulsation * math.cos(turns))

    state = [0.0, start_revs, 0.0]
    for seconds, target in phases:
        state = solve_ivp(flow, (0, seconds), state, args=(target,), rtol=1e-10, atol=1e-12, max_step=0.01).y[:, -1]
    coast_s = state[0] / (pump.speed_rev_s / pump.coast_s)
    state = solve_ivp(flow, (0, coast_s), state, args=(0.0,), rtol=1e-10, atol=1e-12, max_step=0.001).y[:, -1]

    before_ml = desk.plant.true_delivered_ml(6)
    desk.switch(6, True)
    desk.wait(4.0)
    desk.switch(5, True)
    desk.wait(2.0)
    desk.switch(6, False)
    desk.wait(2.0)
    assert desk.plant.true_delivered_ml(6) - before_ml == pytest.approx(state[2], rel=1e-7)


def rotor_revs(desk: Desk) -> float:
    """Angle so far, from what a machine without scatter and loss has displaced."""
    pump = desk.plant.truth.lines[6].pump
    line = desk.plant.report().lines[5]
    displaced = (2000.0 - line.remaining_ml) / pump.volume_ml_rev

    def error(revs: float) -> float:
        swing = pump.pulsation / (2 * math.pi * pump.rollers)
        phase = 2 * math.pi * pump.phase_rev
        turned = 2 * math.pi * pump.rollers * revs + phase
        return revs + swing * (math.sin(turned) - math.sin(phase)) - displaced

    low, high = displaced - 1.0, displaced + 1.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if error(middle) < 0 else (low, middle)
    return low


def steady_speed(desk: Desk, lines: list[int]) -> float:
    """Revolutions a second of line 6 while these lines run, seen on a machine of the same truth."""
    twin = Desk(truth=desk.plant.truth)
    for line in lines:
        twin.switch(line, True)
    twin.wait(20.0)
    return twin.plant.report().lines[5].speed_fraction * desk.plant.truth.lines[6].pump.speed_rev_s


def test_a_syrup_too_thick_for_its_tube_starves_at_what_hagen_poiseuille_leaves_it():
    """The flow at which a 1 m suction tube of 3 mm bore eats the whole vacuum, by the friction factor of `fluids`."""
    narrow = fete.profile(lines=(fete.line(3, bore_mm=3.0, suction_m=1.0, delivery_m=0.2, lift_m=0.0),))
    drawn = ideal_truth(narrow)
    thick = replace(drawn.fluids["ginger syrup"], viscosity_mpa_s=600.0)
    desk = Desk(narrow, truth=replace(drawn, fluids=drawn.fluids | {"ginger syrup": thick}))
    desk.plant.unhang(3)
    desk.plant.hang(3, "ginger syrup", 3000.0)
    desk.switch(3, True)
    desk.wait(300.0)  # fill it
    before_ml = desk.plant.true_delivered_ml(3)
    desk.wait(100.0)
    flow_m3_s = (desk.plant.true_delivered_ml(3) - before_ml) / 100.0 * 1e-6
    speed_m_s = flow_m3_s / (math.pi / 4 * 0.003**2)
    reynolds = thick.density_kg_m3 * speed_m_s * 0.003 / 0.6
    loss_pa = friction_factor(reynolds) * 1.0 / 0.003 * thick.density_kg_m3 * speed_m_s**2 / 2
    assert loss_pa == pytest.approx(1000 * drawn.lines[3].pump.suction_kpa, rel=1e-6)
    # 147.2 mPa*s, 1 m, 3 mm, 100 mL/min: 123 kPa (Hagen-Poiseuille by hand). So 600 mPa*s leaves 12.0 mL/min at 60 kPa.
    assert flow_m3_s * 6e7 == pytest.approx(100 * 147.2 / 600 * drawn.lines[3].pump.suction_kpa / 123, rel=0.01)


def test_lift_and_thickness_take_a_little_of_a_healthy_flow():
    def flow_ml_s(lift_m: float, viscosity_mpa_s: float) -> float:
        profile = fete.profile(lines=(fete.line(1, lift_m=lift_m),))
        drawn = ideal_truth(profile, suction_loss=0.1)
        juice = replace(drawn.fluids["apple juice"], viscosity_mpa_s=viscosity_mpa_s)
        desk = Desk(profile, truth=replace(drawn, fluids=drawn.fluids | {"apple juice": juice}))
        return desk.plant.truth_report()[0].flow_ml_s

    base = flow_ml_s(0.0, 1.0)
    # 1 m of juice is about 10 kPa, a sixth of a vacuum of 60 kPa: a sixth of the tenth that the full vacuum costs.
    assert flow_ml_s(1.0, 1.0) / base == pytest.approx(1 - 0.1 / 6, abs=0.004)
    assert flow_ml_s(-1.0, 1.0) > base > flow_ml_s(0.0, 30.0) > flow_ml_s(0.0, 100.0)


def test_a_lift_beyond_the_vacuum_gives_nothing():
    desk = Desk(fete.profile(lines=(fete.line(1, suction_m=9.0, lift_m=8.0),)))
    # Air is drawn at first; once the column stands higher than the vacuum can hold it, nothing moves any more.
    desk.switch(1, True)
    desk.wait(3600.0)
    assert desk.plant.true_delivered_ml(1) == 0
    assert desk.plant.report().lines[0].flow_ml_s == 0
