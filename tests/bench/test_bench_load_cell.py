"""The load cell and its converter: each effect by itself, against figures from outside the bench."""

import math
import statistics
from dataclasses import dataclass
from itertools import pairwise
from typing import cast

import pytest
from msgspec import structs

from controller.bench.cell_truth import CELL_EFFECTS, UNDISTURBED, CellTruth, draw_cell
from controller.bench.touches import Hand
from controller.errors import Refused
from controller.model.book import Glass
from tests.bench.load_desk import LINES, LoadDesk


def amplitude(values: list[float]) -> float:
    return math.sqrt(2) * statistics.pstdev(values)


def test_a_machine_without_a_scale_has_no_load_cell():
    desk = LoadDesk()
    bare = type(desk).__mro__[1]()
    with pytest.raises(Refused, match="this machine has no scale"):
        bare.plant.conversions()


@pytest.mark.parametrize("effect", CELL_EFFECTS)
def test_each_effect_is_drawn_by_itself(effect):
    def changed(one: CellTruth, other: CellTruth) -> set[str]:
        return {name for name in structs.asdict(one) if getattr(one, name) != getattr(other, name)}

    none, whole, alone = (draw_cell(3, LINES, effects=some) for some in ((), CELL_EFFECTS, (effect,)))
    assert changed(none, alone) <= changed(none, whole)
    assert changed(none, alone)
    assert all(getattr(alone, name) == getattr(whole, name) for name in changed(none, alone))
    for other in CELL_EFFECTS:
        if other != effect:
            assert not changed(none, alone) & changed(none, draw_cell(3, LINES, effects=(other,))), other


def test_with_no_effect_the_converter_shows_the_load_to_a_count():
    desk = LoadDesk()
    assert desk.mean_g() == pytest.approx(0.0, abs=0.002)
    desk.plant.place_glass("tumbler")
    assert desk.mean_g() == pytest.approx(40.0 + 0.8 * 300.0, abs=0.002)
    desk.plant.place_mass(500.0)
    assert desk.mean_g() == pytest.approx(780.0, abs=0.002)
    desk.plant.place_mass(0.0)
    desk.plant.lift_glass()
    assert desk.mean_g() == pytest.approx(0.0, abs=0.002)


@pytest.mark.parametrize("rate_hz", [10.0, 80.0])
def test_conversions_keep_their_beat_and_their_numbers(rate_hz):
    taken = LoadDesk(rate_hz=rate_hz).conversions(5.0)
    assert len(taken) == pytest.approx(5 * rate_hz, abs=1)
    assert [one.number for one in taken] == list(range(taken[0].number, taken[0].number + len(taken)))
    assert all(one.at_s == pytest.approx(one.number / rate_hz) for one in taken)


def test_the_pace_of_asking_changes_no_reading():
    often, seldom = LoadDesk(UNDISTURBED), LoadDesk(UNDISTURBED)
    taken = []
    for desk in (often, seldom):
        desk.fill(6)
        desk.plant.place_glass("tumbler")
        desk.wait(20.0)
        desk.switch(6, True)
        desk.wait(0.5)
    for _ in range(8):
        taken += often.conversions(0.5)
    after, late = seldom.plant.conversions()[-1].number, []
    for _ in range(8):
        seldom.wait(0.5)
        late += seldom.plant.conversions(after)
        after = late[-1].number
    known = {one.number: one.counts for one in taken}
    vibration_counts = 2 * 0.6 * often.cell.counts_per_g  # its phase is that of the instant asked
    assert len(late) > 300
    assert all(abs(one.counts - known[one.number]) <= vibration_counts for one in late if one.number in known)


# NAU7802 data sheet (Nuvoton, rev 2.1), 1.2: -3 dB at 2.27 Hz with 10, at 18.17 Hz with 80 samples a second.
@pytest.mark.parametrize(("rate_hz", "cut_off_hz"), [(10.0, 2.27), (80.0, 18.17)])
def test_the_converters_filter_halves_the_power_where_its_data_sheet_says(rate_hz, cut_off_hz):
    @dataclass
    class Swing:
        ends_s: float = math.inf

        def force_g(self, now_s: float) -> float:
            return 100.0 * math.sin(2 * math.pi * cut_off_hz * now_s)

    desk = LoadDesk(("bandwidth",), rate_hz=rate_hz)
    platform = desk.plant._simulation.platform
    assert platform is not None
    platform.touch(cast(Hand, Swing()))
    desk.wait(5.0)
    assert 20 * math.log10(amplitude(desk.grams(60.0)) / 100.0) == pytest.approx(-3.0, abs=0.2)


# The same sheet, features: 50 nV rms at 10 and 150 nV at 80 samples a second, at gain 128; with 3.0 V across the bridge
# a count is 3.0 V / (128 * 2^24) = 1.397 nV.
@pytest.mark.parametrize(("rate_hz", "noise_counts"), [(10.0, 36.0), (80.0, 107.0)])
def test_white_noise_is_that_of_the_data_sheet(rate_hz, noise_counts):
    counts = [one.counts for one in LoadDesk(("noise",), rate_hz=rate_hz).conversions(4000.0 / rate_hz)]
    assert statistics.stdev(counts) == pytest.approx(noise_counts, rel=0.05)
    later = statistics.correlation(counts[1:], counts[:-1])
    assert abs(later) < 0.06  # white: nothing of one conversion is left in the next


def test_low_frequency_noise_does_not_go_away_by_averaging():
    desk = LoadDesk(("wander",), rate_hz=10.0)
    grams = desk.grams(1200.0)
    means = [statistics.fmean(grams[start : start + 200]) for start in range(0, len(grams) - 200, 200)]
    white_would_be = statistics.stdev(grams) / math.sqrt(200)
    assert statistics.stdev(means) > 5 * white_would_be


def pouring(desk: LoadDesk) -> tuple[float, float]:
    """How far the reading is ahead of what has left the funnel while line 6 pours steadily (g), and its flow (g/s)."""
    desk.fill(6)
    desk.plant.place_glass(brim_ml=100_000.0, empty_g=200.0)  # so wide that its level does not rise
    desk.wait(10.0)
    desk.switch(6, True)
    desk.wait(5.0)
    begun_s, begun_g = desk.clock.now_s(), desk.true_g()
    ahead = []
    for _ in range(100):
        desk.clock.move_to(desk.plant.next_conversion_s() + 1e-9)
        ahead.append(desk.newest_g() - desk.true_g())
    return statistics.fmean(ahead), (desk.true_g() - begun_g) / (desk.clock.now_s() - begun_s)


def test_liquid_that_still_falls_does_not_press():
    desk = LoadDesk(("flight",))
    ahead_g, flow_g_s = pouring(desk)
    assert ahead_g == pytest.approx(-flow_g_s * math.sqrt(2 * desk.cell.fall_m / 9.81), rel=0.05)  # free fall


def test_the_stream_presses_with_its_momentum():
    desk = LoadDesk(("momentum",))
    ahead_g, flow_g_s = pouring(desk)
    assert ahead_g == pytest.approx(flow_g_s * desk.cell.exit_m_s / 9.81, rel=0.05)  # F = m' v, shown as F / g


def test_flight_and_momentum_make_up_for_each_other_but_for_the_speed_at_the_outlet():
    desk = LoadDesk(("flight", "momentum"))
    ahead_g, flow_g_s = pouring(desk)
    assert ahead_g == pytest.approx(flow_g_s * desk.cell.exit_m_s / 9.81, rel=0.1)  # balance of momentum
    desk.switch(6, False)
    desk.wait(5.0)
    assert desk.mean_g() == pytest.approx(desk.true_g(), abs=0.005)


def test_the_last_of_a_stream_clings_and_falls_in_drops():
    desk = LoadDesk(("drops",), nozzle_ml=0.15)
    desk.fill(6)
    desk.plant.place_glass("tumbler")
    desk.wait(10.0)
    desk.run(6, 5.0, then_s=0.0)
    desk.wait(1.0)  # the funnel has run empty: its time constant is 0.2 s at most
    falling = desk.grams(6.0)
    drops = [after - before for before, after in pairwise(falling) if after - before > 0.02]
    assert 1 <= len(drops) <= 3
    assert all(one == pytest.approx(0.05, abs=0.01) for one in drops)  # about 20 drops to the mL
    assert falling[-1] == pytest.approx(desk.true_g(), abs=0.005)


def test_a_loaded_cell_creeps_by_its_data_sheet_within_half_an_hour():
    desk = LoadDesk(("creep",), creep=5e-4, rate_hz=10.0)
    desk.plant.place_mass(4000.0)
    at_once_g = desk.mean_g(0.5)
    for _ in range(180):
        desk.wait(9.5)
        desk.mean_g(0.5)
    crept_g = desk.mean_g(0.5) - at_once_g
    assert crept_g == pytest.approx(5e-4 * 4000.0, rel=0.08)  # 0.05 % in 30 min
    desk.plant.place_mass(0.0)
    assert desk.mean_g(0.5) == pytest.approx(crept_g, rel=0.05)  # it comes back as slowly
    desk.wait(7200.0)
    assert desk.mean_g(0.5) == pytest.approx(0.0, abs=0.01)


def test_zero_and_span_drift_with_temperature_and_no_further_than_the_data_sheet_says():
    desk = LoadDesk(("drift",), rate_hz=10.0)
    zero = []
    for _ in range(16):
        zero.append(desk.mean_g(0.5))
        desk.wait(1800.0)
    assert max(zero) - min(zero) > 0.05
    most_k = 5.0 + 4.0  # the machine's inside, and four standard deviations of the room
    assert all(abs(one) <= 0.05e-2 * 5000.0 / 10.0 * most_k for one in zero)


def test_a_bowed_cell_is_right_at_nothing_and_at_its_capacity():
    desk = LoadDesk(("bow",), bow=5e-4)
    off_g = []
    for mass_g in (0.0, 2500.0, 5000.0):
        desk.plant.place_mass(mass_g)
        off_g.append(desk.mean_g(0.5) - mass_g)
    assert off_g == pytest.approx([0.0, 0.05e-2 * 5000.0, 0.0], abs=0.01)  # 0.05 % of full scale


def test_running_pumps_shake_the_platform_and_ten_readings_a_second_hardly_see_it():
    shaken = {}
    for rate_hz in (10.0, 80.0):
        desk = LoadDesk(("vibration", "bandwidth"), rate_hz=rate_hz)
        still_g = statistics.stdev(desk.grams(3.0))
        desk.switch(6, True)
        desk.wait(2.0)
        shaken[rate_hz] = amplitude(desk.grams(10.0))
        assert still_g < 0.003
    hertz = desk.plant.truth.lines[6].pump
    swing_g = dict(desk.cell.vibration_g)[6]
    turns = hertz.rollers * hertz.speed_rev_s / 80.0
    assert shaken[80.0] == pytest.approx(swing_g * (math.sin(math.pi * turns) / (math.pi * turns)) ** 4, rel=0.15)
    assert shaken[10.0] < 0.5 * shaken[80.0]


def test_knocks_come_some_twenty_times_an_hour_and_ring_down_within_a_second():
    desk = LoadDesk(("knocks",), rate_hz=80.0)
    grams = desk.grams(3600.0)
    struck = [place for place, one in enumerate(grams) if abs(one) > 0.5]
    knocks = 1 + sum(after - before > 160 for before, after in pairwise(struck))
    assert 8 <= knocks <= 35  # Poisson of 20: outside once in 1,000
    assert max(abs(one) for one in grams) > 5.0


def test_a_knock_a_hand_and_ice_leave_what_they_weigh():
    desk = LoadDesk()
    desk.plant.place_glass("tumbler")
    desk.plant.knock(50.0)
    assert 20.0 < max(abs(one - 280.0) for one in desk.grams(0.5)) < 50.0
    desk.wait(1.0)
    assert desk.mean_g() == pytest.approx(280.0, abs=0.01)
    desk.plant.lean(300.0, 2.0)
    held = desk.grams(2.5)
    assert statistics.fmean(held[40:120]) == pytest.approx(580.0, rel=0.1)
    assert held[-1] == pytest.approx(280.0, abs=0.01)
    desk.plant.add_ice(40.0)
    assert max(desk.grams(0.2)) > 325.0  # it splashes
    desk.wait(1.0)
    assert desk.mean_g() == pytest.approx(320.0, abs=0.01)
    desk.plant.empty_glass()
    assert desk.mean_g() == pytest.approx(280.0, abs=0.01)


def test_lifting_a_glass_takes_a_moment_and_setting_it_down_shakes():
    desk = LoadDesk(("handling",))
    desk.plant.place_glass("tumbler")
    settling = desk.grams(2.0)
    assert settling[2] < 200.0 < settling[-1]
    assert max(settling) > 290.0
    assert settling[-1] == pytest.approx(280.0, abs=0.01)
    desk.plant.lift_glass()
    going = desk.grams(0.4)
    assert 50.0 < going[6] < 250.0  # after 0.09 s
    assert going[-1] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("rate_hz", [10.0, 80.0])
def test_at_rest_the_whole_cell_shows_the_load_within_what_it_may_be_off(rate_hz):
    desk = LoadDesk(UNDISTURBED, rate_hz=rate_hz)
    for line in (5, 6):
        desk.fill(line)
    zero_g = desk.mean_g(5.0)
    desk.plant.place_glass("tumbler")
    for line, seconds in ((5, 20.0), (6, 3.0), (5, 8.0)):
        desk.run(line, seconds)
    desk.wait(8.0)
    # 0.05 % of full scale for the bow, as much for creep; noise and wander of the mean
    assert desk.mean_g(5.0) - zero_g == pytest.approx(desk.true_g(), abs=0.4)


def test_a_long_rest_changes_no_load():
    desk = LoadDesk(("flight", "momentum", "drops", "bandwidth", "handling"))
    desk.fill(6)
    desk.plant.place_glass("tumbler")
    desk.run(6, 10.0)
    desk.wait(8 * 3600.0)
    assert desk.mean_g() == pytest.approx(desk.true_g(), abs=0.005)
    desk.run(6, 10.0, then_s=8.0)
    assert desk.mean_g() == pytest.approx(desk.true_g(), abs=0.01)


def test_liquid_that_overflows_the_glass_does_not_press():
    desk = LoadDesk(("flight", "momentum"))
    desk.fill(6)
    desk.plant.place_glass(brim_ml=20.0)
    desk.run(6, 30.0, then_s=8.0)
    glass = desk.plant._simulation.vessels.glass
    assert glass is not None
    assert sum(glass.contents.values()) == pytest.approx(20.0, abs=0.01)
    assert desk.mean_g() == pytest.approx(glass.weight_g(desk.plant.truth.fluids), abs=0.01)


def test_glasses_of_the_book_weigh_what_it_says_give_or_take_what_they_differ():
    desk = LoadDesk()
    kind = Glass(glass="cup", brim_ml=200.0, usable_ml=160.0, tare_g=210.0, tare_tolerance_g=8.0)
    desk.plant._book = structs.replace(desk.plant._book, glasses=(kind,))
    weights = []
    for _ in range(30):
        desk.plant.place_glass("cup")
        weights.append(desk.mean_g(0.1))
        desk.plant.lift_glass()
    assert all(abs(one - 210.0) <= 8.0 for one in weights)
    assert max(weights) - min(weights) > 6.0
    desk.plant.place_glass("cup", empty_g=260.0)  # another one, of the same name
    assert desk.mean_g(0.1) == pytest.approx(260.0, abs=0.01)


def test_a_glass_that_outlasts_the_bench_weighs_the_same_from_the_first_reading():
    desk = LoadDesk(("flight", "momentum", "drops"))
    desk.fill(6)
    desk.plant.place_glass("tumbler", empty_g=312.0)
    desk.plant.add_ice(25.0)
    desk.run(6, 10.0, then_s=10.0)
    again = LoadDesk(("flight", "momentum", "drops"), memory=desk.plant.remember())
    assert again.grams(0.1)[0] == pytest.approx(desk.mean_g(), abs=0.01)
    again.run(6, 5.0, then_s=1.5)
    assert again.mean_g(0.1) == pytest.approx(again.true_g(), abs=0.2)  # what still drips, but no fresh film
