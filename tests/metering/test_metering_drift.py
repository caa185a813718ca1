"""Drift: run lengths against published tables and simulation, the chart, age, and pooled priors."""

import math
import random

import pytest

from controller.errors import OutOfRange, Refused
from controller.metering.calibration import Trial, fit, to_calibration
from controller.metering.dose import predict
from controller.metering.drift import FLAG_ABOVE, REFERENCE, Age, chart, judge, servings_drift
from controller.metering.flow_law import FlowLaw, Scatter
from controller.metering.pooled_prior import pooled_prior
from controller.metering.trials import DEFAULT_PRIOR
from tests.metering.pumps import TruePump

YOUNG = Age(days=1.0, litres=1.0, run_hours=0.2)
LIMITS = Age(days=30.0, litres=50.0, run_hours=10.0)
TIMES_S = (3.0, 3.0, 3.0, 20.0, 60.0, 60.0, 60.0)


def checks_until_flagged(rng, shift, most):
    """How many checks off by so many standard deviations pass until the chart flags; `most` when it does not."""
    law = FlowLaw(
        flow_ml_s=1.0,
        lag_s=0.0,
        sag_per_a=0.0,
        covariance=((0.0,) * 3,) * 3,
        scatter=Scatter(fixed_ml=1.0, fraction=0.0, degrees_of_freedom=1e9),
    )
    drawn = chart(law, [Trial(50.0, 50.0 + rng.gauss(shift, 1.0), 1e-6) for _ in range(most)])
    return next((k for k, one in enumerate(drawn.points, 1) if max(one.high, one.low) > FLAG_ABOVE), most)


@pytest.mark.parametrize(("shift", "length"), [(0.75, 13.3), (1.0, 8.38), (1.5, 4.75), (2.0, 3.34), (3.0, 2.19)])
def test_run_lengths_of_the_textbook(shift, length):
    # D. C. Montgomery, Introduction to Statistical Quality Control, table "ARL performance of the tabular cusum with
    # k = 1/2 and h = 4 or h = 5" (from Lucas and Crosier 1982), from memory.
    assert (REFERENCE, FLAG_ABOVE) == (0.5, 4.0)
    rng = random.Random(4)
    lengths = [checks_until_flagged(rng, shift, 80) for _ in range(400)]
    mean = sum(lengths) / len(lengths)
    u_mean = math.sqrt(sum((one - mean) ** 2 for one in lengths)) / len(lengths)
    assert mean == pytest.approx(length, abs=3.5 * u_mean)


def test_false_flags_are_as_rare_as_the_run_length_says_whatever_the_calibration_s_own_error():
    """Few trials, many spot checks: the calibration's error is common to all checks and must not count as drift."""
    pump, flagged, checks = TruePump(), 0, 0
    for seed in range(150):
        rng = random.Random(seed)
        law = fit(pump.trials(rng, (3.0, 3.0, 60.0, 60.0, 60.0)))
        drawn = chart(law, pump.trials(rng, (25.0,) * 12))
        first = next((k for k, one in enumerate(drawn.points) if max(one.high, one.low) > 4.0), None)
        flagged += first is not None
        checks += 12 if first is None else first + 1
    # 1 in 168 at the normal distribution; scatter known to 4 degrees of freedom only shifts the whole chart at times.
    assert flagged / checks < 3 / 168


def test_a_drifted_line_is_flagged_then_blocked_and_the_drift_is_stated():
    pump, worn = TruePump(), TruePump(flow_ml_s=1.67 * 0.97)
    rng = random.Random(3)
    law = fit(pump.trials(rng, TIMES_S))
    statuses = [judge(chart(law, checks), YOUNG, LIMITS).status for checks in _growing(worn.trials(rng, (40.0,) * 14))]
    assert statuses[0] == "in control"
    assert "flagged" in statuses
    assert statuses[-1] == "blocked for small doses"
    assert statuses == sorted(statuses, key=("in control", "flagged", "blocked for small doses").index)
    final = chart(law, worn.trials(random.Random(4), (40.0,) * 14))
    assert final.shift_fraction == pytest.approx(-0.03, abs=0.01)
    assert "% less than calibrated" in judge(final, YOUNG, LIMITS).reasons[0]


def _growing(checks: list[Trial]) -> list[list[Trial]]:
    return [checks[:count] for count in range(1, len(checks) + 1)]


def test_one_wild_check_is_flagged_at_once():
    law = fit(TruePump().trials(random.Random(1), TIMES_S * 2))
    drawn = chart(law, [Trial(40.0, 1.25 * law.delivered_ml(40.0), 0.03)])
    assert drawn.status != "in control"
    assert drawn.points[0].fraction == pytest.approx(0.25)


def test_a_fresh_chart_is_in_control():
    law = fit(TruePump().trials(random.Random(1), TIMES_S))
    verdict = judge(chart(law, []), YOUNG, LIMITS)
    assert (verdict.status, verdict.reasons) == ("in control", ())
    assert chart(law, []).shift_fraction == 0.0


@pytest.mark.parametrize(
    ("age", "status", "word"),
    [
        (Age(days=31.0, litres=1.0, run_hours=1.0), "flagged", "31 days"),
        (Age(days=1.0, litres=60.0, run_hours=1.0), "flagged", "60 L"),
        (Age(days=1.0, litres=1.0, run_hours=11.0), "flagged", "11 h"),
        (Age(days=61.0, litres=1.0, run_hours=11.0), "blocked for small doses", "61 days"),
    ],
)
def test_age_is_flagged_then_blocked(age, status, word):
    law = fit(TruePump().trials(random.Random(1), TIMES_S))
    verdict = judge(chart(law, []), age, LIMITS)
    assert verdict.status == status
    assert word in " ".join(verdict.reasons)


@pytest.mark.parametrize(
    "call",
    [
        lambda: Age(days=-1.0, litres=0.0, run_hours=0.0),
        lambda: Age(days=0.0, litres=math.nan, run_hours=0.0),
    ],
)
def test_impossible_ages_are_refused(call):
    with pytest.raises(OutOfRange):
        call()


def test_weighed_servings_flag_a_lasting_change_and_no_single_one():
    """Run lengths of the chart with k = 0.5, h = 4: D. C. Montgomery, Statistical Quality Control: 8.4 at one sigma."""
    rng = random.Random(3)
    quiet = [rng.gauss(0.0, 1.0) for _ in range(25)]
    assert servings_drift(quiet, -0.001) == servings_drift([-40.0], -0.001) == ""
    lengths = []
    for _ in range(400):
        deviations: list[float] = []
        while not servings_drift(deviations, 0.01):
            deviations.append(rng.gauss(1.0, 1.0))
        lengths.append(len(deviations))
    assert sum(lengths) / len(lengths) == pytest.approx(8.4, abs=0.8)
    assert "+1.0 % off" in servings_drift([3.0, 3.0], 0.01)


def test_a_pool_of_lines_knows_the_lag_better_than_the_default():
    lines = [
        to_calibration(fit(TruePump(lag_s=0.2 + 0.01 * k).trials(random.Random(k), TIMES_S)), k, "water")
        for k in range(1, 9)
    ]
    prior = pooled_prior(lines, dict.fromkeys(range(1, 11), 1.67), 10)
    assert prior.lag_s == pytest.approx(0.245, abs=0.03)
    assert prior.u_lag_s < 0.6 * DEFAULT_PRIOR.u_lag_s
    assert prior.flow_ml_s == pytest.approx(1.67, rel=0.01)
    assert prior.scatter_ml == pytest.approx(0.1, rel=0.4)
    assert prior.scatter_fraction == pytest.approx(0.004, rel=0.4)
    # One trial of a ninth such line, with the pool and without it, at a dose far from the trial's.
    trial = TruePump(lag_s=0.25).trials(random.Random(99), (40.0,))
    pooled, alone = (abs(fit(trial, given).delivered_ml(4.0) - 1.67 * 3.75) for given in (prior, None))
    assert pooled < alone
    assert predict(fit(trial, prior), 6.0).u95_ml < predict(fit(trial), 6.0).u95_ml


def test_a_pool_without_nominal_flows_leaves_the_flow_out():
    lines = [to_calibration(fit(TruePump().trials(random.Random(1), TIMES_S)), 1, "water")]
    assert pooled_prior(lines).flow_ml_s is None
    with pytest.raises(Refused, match="no line is calibrated"):
        pooled_prior([])
