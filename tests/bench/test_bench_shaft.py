"""A rotor's motion in closed form: its derivatives, its inverse, and the volume its angle stands for."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from controller.bench.shaft import Motion, displaced_rev, rest, revs_for
from controller.bench.truth import draw
from tests.bench import fete_machine as fete

PUMP = draw(fete.profile(), fete.book(), 1).lines[1].pump

speeds = st.floats(0.01, 10.0)
running = st.builds(
    Motion,
    since_s=st.floats(0.0, 1e5),
    revs=st.floats(0.0, 1e6),
    speed=st.one_of(st.just(0.0), speeds),
    target=speeds,
    time_constant_s=st.floats(0.005, 1.0),
)
coasting = st.builds(
    Motion, since_s=st.floats(0.0, 1e5), revs=st.floats(0.0, 1e6), speed=speeds, slowing=st.floats(5.0, 500.0)
)


@given(st.one_of(running, coasting), st.floats(0.0, 5.0))
def test_the_angle_grows_at_the_speed(motion, passed_s):
    at_s, step_s = motion.since_s + passed_s, 1e-3
    gone = motion.revs_at(at_s + step_s) - motion.revs_at(at_s)
    speeds_there = (motion.speed_at(at_s), motion.speed_at(at_s + step_s))
    assert min(speeds_there) * step_s - 1e-6 <= gone <= max(speeds_there) * step_s + 1e-6


@given(st.one_of(running, coasting), st.floats(0.0, 5.0), st.floats(0.0, 5.0))
def test_a_motion_cut_in_two_is_the_same_motion(motion, first_s, then_s):
    cut = motion.at(motion.since_s + first_s)
    end_s = motion.since_s + first_s + then_s
    assert cut.revs_at(end_s) == pytest.approx(motion.revs_at(end_s), rel=1e-9, abs=1e-6)
    assert cut.speed_at(end_s) == pytest.approx(motion.speed_at(end_s), rel=1e-6, abs=1e-6)


@given(running, st.floats(1e-6, 100.0))
def test_reaching_an_angle_is_the_inverse_of_the_angle(motion, way):
    at_s = motion.reaches_s(motion.revs + way)
    assert motion.revs_at(at_s) - motion.revs == pytest.approx(way, rel=1e-6, abs=1e-7)


@given(coasting, st.floats(0.01, 3.0))
def test_a_coasting_rotor_reaches_what_its_speed_allows_and_nothing_beyond(motion, share):
    whole = motion.speed**2 / (2 * motion.slowing)
    at_s = motion.reaches_s(motion.revs + share * whole)
    if share > 1.001:
        assert at_s == float("inf")
    elif share < 0.999:
        assert at_s <= motion.ends_s + 1e-9
        assert motion.revs_at(at_s) - motion.revs == pytest.approx(share * whole, rel=1e-4, abs=1e-7)
    assert motion.speed_at(motion.ends_s) == pytest.approx(0.0, abs=1e-6)


def test_a_rotor_at_rest_stays_there():
    still = rest(3.0, 7.5)
    assert (still.moves, still.revs_at(1e6), still.speed_at(1e6)) == (False, 7.5, 0.0)
    assert still.reaches_s(8.0) == float("inf")


@given(st.floats(0.0, 1e5), st.floats(0.3, 0.7), st.sampled_from([3, 4]))
def test_volume_and_angle_are_inverse(revs, pulsation, rollers):
    pump = replace(PUMP, pulsation=pulsation, rollers=rollers)
    assert revs_for(pump, displaced_rev(pump, revs)) == pytest.approx(revs, rel=1e-9, abs=1e-9)


@given(st.floats(0.0, 1e4))
def test_a_turn_displaces_a_turns_volume_and_volume_never_runs_back(revs):
    assert displaced_rev(PUMP, revs + 1.0) - displaced_rev(PUMP, revs) == pytest.approx(1.0, abs=1e-8)
    assert displaced_rev(PUMP, revs + 0.01) > displaced_rev(PUMP, revs)
