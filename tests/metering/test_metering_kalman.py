"""The filter against a general library's (R. Labbe, filterpy) and against closed forms."""

import math
import random

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter as Reference

from controller.metering.kalman import KalmanFilter


def drawn_filter(rng: random.Random, size: int) -> tuple[KalmanFilter, Reference]:
    ours, reference = KalmanFilter(), Reference(dim_x=size, dim_z=1)
    for _ in range(size):
        ours.add(rng.gauss(0.0, 1.0), rng.uniform(0.1, 2.0))
    reference.x = np.array([ours.mean]).T
    reference.P = np.array(ours.covariance)
    return ours, reference


def test_a_long_run_of_transitions_and_measurements_agrees_with_the_library() -> None:
    rng, size = random.Random(14), 6
    ours, reference = drawn_filter(rng, size)
    for _ in range(200):
        moved, by = rng.randrange(size), rng.gauss(0.0, 1.0)
        terms = {rng.randrange(size): rng.gauss(0.0, 0.3) for _ in range(3)}
        noise = {rng.randrange(size): rng.gauss(0.0, 1.0) for _ in range(2)}
        transition = np.eye(size)
        for j, c in terms.items():
            transition[moved, j] += c
        if moved in terms:
            terms[moved] = transition[moved, moved] - 1.0
        enters = np.array([[noise.get(j, 0.0) for j in range(size)]]).T
        ours.move(moved, terms, by)
        ours.widen(noise, 0.01)
        reference.predict(F=transition, Q=0.01 * enters @ enters.T)
        reference.x[moved, 0] += by
        seen, value = {rng.randrange(size): rng.gauss(0.0, 1.0) for _ in range(3)}, rng.gauss(0.0, 1.0)
        innovation = ours.measure(seen, value, 0.2)
        reference.update(value, R=0.2, H=np.array([[seen.get(j, 0.0) for j in range(size)]]))
        assert innovation.gap == pytest.approx(reference.y[0, 0], abs=1e-9)
        assert innovation.variance == pytest.approx(reference.S[0, 0], rel=1e-9)
        np.testing.assert_allclose(ours.mean, reference.x[:, 0], rtol=1e-8, atol=1e-8)
        np.testing.assert_allclose(ours.covariance, reference.P, rtol=1e-8, atol=1e-8)


def test_a_drifting_constant_settles_at_the_closed_form() -> None:
    ours = KalmanFilter()
    state = ours.add(0.0, 1e6)
    for _ in range(400):
        ours.widen({state: 1.0}, 0.01)
        ours.measure({state: 1.0}, 0.0, 1.0)
    # Riccati equation of a random walk with q = Q/R: p = (q + sqrt(q^2 + 4 q)) / 2 before, p / (1 + p) after.
    before = (0.01 + math.sqrt(0.01**2 + 0.04)) / 2
    assert ours.covariance[0][0] == pytest.approx(before / (1 + before), rel=1e-9)


def test_a_gated_measurement_changes_nothing() -> None:
    ours, _ = drawn_filter(random.Random(1), 3)
    mean, covariance = ours.mean.copy(), [row.copy() for row in ours.covariance]
    innovation = ours.measure({0: 1.0}, 100.0, 0.1, gate=10.83)
    assert not innovation.accepted
    assert abs(innovation.deviations) > 3.29  # the square root of 10.83: 1 in 1,000 of good measurements lies beyond
    assert (ours.mean, ours.covariance) == (mean, covariance)


def test_states_dropped_leave_the_others_as_they_were() -> None:
    ours, _ = drawn_filter(random.Random(2), 4)
    ours.measure({0: 1.0, 1: -1.0, 3: 0.5}, 0.3, 0.1)
    expected = ours.expect({1: 1.0, 3: 2.0})
    ours.keep((3, 1))
    assert ours.expect({1: 1.0, 0: 2.0}) == pytest.approx(expected, rel=1e-12)


def test_a_state_set_afresh_is_independent_of_the_others() -> None:
    ours, _ = drawn_filter(random.Random(3), 3)
    ours.measure({0: 1.0, 1: 1.0}, 1.0, 0.1)
    ours.set(1, 5.0, 0.25)
    assert ours.expect({1: 1.0}) == (5.0, 0.25)
    assert ours.covariance[0][1] == ours.covariance[1][0] == 0.0


def test_fading_scales_mean_and_deviation() -> None:
    ours = KalmanFilter()
    state = ours.add(2.0, 0.04)
    ours.add(1.0, 1.0)
    ours.measure({0: 1.0, 1: 1.0}, 3.0, 0.1)
    mean, variance = ours.expect({state: 1.0})
    ours.fade(state, 0.5)
    assert ours.expect({state: 1.0}) == pytest.approx((0.5 * mean, 0.25 * variance), rel=1e-12)
