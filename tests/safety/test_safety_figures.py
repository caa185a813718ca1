"""The guard's own figures, worked by hand. Pumps: nominal 2 mL/s, 0.5 A."""

import math

import pytest
from msgspec.structs import replace

from controller.model.plan import Interval
from controller.model.profile import FlowBand
from controller.safety.figures import ETHANOL_G_ML, Figures, tube_ml
from tests.guard.guard_parts import line, profile
from tests.safety.core_parts import calibration

JUICE = "apple juice"


def figures(**given: float) -> Figures:
    """Line 1 calibrated as given, the others not at all."""
    return Figures(profile=profile(), calibrations={1: calibration(1, JUICE, **given)} if given else {})


def on(number: int, start_s: float, end_s: float) -> Interval:
    return Interval(line=number, start_s=start_s, end_s=end_s)


def test_the_volume_of_a_tube_follows_from_bore_and_length():
    # 4 mm bore, 0.6 m and 0.4 m: pi/4 x 16 mm2 x 1.0 m
    assert tube_ml(line(1)) == pytest.approx(12.566, abs=0.001)
    longer = replace(line(1), tube=replace(line(1).tube, suction_m=1.1))
    assert tube_ml(longer) == pytest.approx(18.850, abs=0.001)  # 1.5 m of the same


def test_ethanol_density_is_the_published_one():
    """OIML R 22, Table: density of ethanol at 20 C by the general formula is 789.24 kg/m3."""
    assert ETHANOL_G_ML * 1000 == 789.24


def test_the_band_is_the_lines_own_and_a_calibration_outside_widens_it():
    assert figures().band(1) == FlowBand(least_ml_s=1.5, most_ml_s=2.5)  # as bought: 25 % either way
    assert figures(flow_ml_s=1.9).band(1) == FlowBand(least_ml_s=1.5, most_ml_s=2.5)
    assert figures(flow_ml_s=2.6).band(1) == FlowBand(least_ml_s=1.5, most_ml_s=2.6)
    assert figures(flow_ml_s=1.4).band(1) == FlowBand(least_ml_s=1.4, most_ml_s=2.5)
    own = FlowBand(least_ml_s=1.8, most_ml_s=2.1)
    known = Figures(profile=replace(profile(), lines=(replace(line(1), flow=own),)), calibrations={})
    assert known.band(1) == own


def test_a_run_without_company():
    assert figures(flow_ml_s=1.9, lag_s=0.5).run_ml(on(1, 3, 13), []) == pytest.approx(1.9 * 9.5)
    assert figures(flow_ml_s=1.9, lag_s=-0.5).run_ml(on(1, 3, 13), []) == pytest.approx(1.9 * 10.5)
    assert figures(flow_ml_s=1.9, lag_s=0.5).run_ml(on(1, 0, 0.3), []) == 0.0
    assert figures().run_ml(on(1, 0, 10), []) == 20.0
    assert figures(flow_ml_s=1.9).run_ml(on(1, 5, 5), []) == 0.0


def test_a_run_in_company_sags_by_the_mean_current_of_the_others():
    # Line 2 beside it for 4 s of 10 s, line 3 for 10 s: (4 + 10) s x 0.5 A / 10 s = 0.7 A; 5 %/A takes 3.5 %.
    known = figures(flow_ml_s=2.0, sag_per_a=0.05)
    mine = on(1, 10, 20)
    others = [on(2, 16, 30), on(3, 0, 40), on(4, 20, 30), on(1, 30, 40)]
    assert known.others_a_s(mine, [mine, *others]) == pytest.approx(7.0)
    assert known.run_ml(mine, [mine, *others]) == pytest.approx(20 * 0.965)


def test_sag_is_never_taken_for_more_than_a_fifth():
    known = figures(flow_ml_s=2.0, sag_per_a=0.1)
    crowd = [on(number, 0, 10) for number in (2, 2, 2, 2, 3, 3)]  # 3 A: 30 %
    assert known.run_ml(on(1, 0, 10), crowd) == pytest.approx(16.0)


def test_upper_bound_of_a_calibration():
    # u(V)^2 = (9.5 x 0.02)^2 + (1.9 x 0.05)^2 - 2 x 9.5 x 1.9 x 0.0004 + 0.1^2 + (0.01 x 18.05)^2
    #        = 0.0361 + 0.009025 - 0.01444 + 0.01 + 0.03258 = 0.073265; three times its root is 0.8120.
    known = calibration(
        1,
        JUICE,
        flow_ml_s=1.9,
        lag_s=0.5,
        u_flow_ml_s=0.02,
        u_lag_s=0.05,
        cov_flow_lag=0.0004,
        scatter_ml=0.1,
        scatter_fraction=0.01,
        sag_per_a=0.05,
    )
    narrow = replace(profile(), lines=(replace(line(1), flow=FlowBand(least_ml_s=1.7, most_ml_s=1.8)),))
    bounded = Figures(profile=narrow, calibrations={1: known})
    assert bounded.upper_ml(on(1, 0, 10)) == pytest.approx(1.9 * 10)  # a calibration above the band widens it
    # Without lag: 0.04 + 0.009025 - 0.0152 + 0.01 + 0.0361 = 0.079925.
    certain = Figures(profile=narrow, calibrations={1: replace(known, lag_s=0.0)})
    assert certain.upper_ml(on(1, 0, 10)) == pytest.approx(19.0 + 3 * 0.079925**0.5, abs=0.0005)


def test_upper_bound_never_falls_below_what_the_pump_moves_at_its_upper_edge():
    assert figures().upper_ml(on(1, 0, 10)) == 25.0
    assert figures(flow_ml_s=1.5, lag_s=1.0, sag_per_a=0.1).upper_ml(on(1, 0, 10)) == 25.0
    assert figures(flow_ml_s=1.5, lag_s=1.0).upper_ml(on(1, 0, 0.9)) == pytest.approx(2.5 * 0.9)
    assert figures().upper_by_line_ml([on(1, 0, 10), on(1, 20, 30), on(2, 0, 10)]) == {1: 50.0, 2: 25.0}


def test_upper_bound_counts_what_runs_on_after_the_end():
    # The contact opens 20 ms later than it closed; 60 ms of coasting are 30 ms of flow.
    relays = replace(profile().relay_board, operate_s=0.01, release_s=0.03)
    slow = replace(profile(), relay_board=relays, lines=(replace(line(1), pump=replace(line(1).pump, coast_s=0.06)),))
    assert Figures(profile=slow, calibrations={}).upper_ml(on(1, 0, 1)) == pytest.approx(2.5 * 1.05)


def test_lower_bound_never_rises_above_what_the_pump_moves_at_its_lower_edge():
    # 1.5 mL/s, once the relay has closed (10 ms) and the inrush is over (100 ms).
    assert figures().lower_ml(on(1, 0, 10)) == pytest.approx(1.5 * 9.89)
    assert figures(flow_ml_s=2.5, lag_s=-1.0).lower_ml(on(1, 0, 10)) == pytest.approx(1.5 * 9.89)
    assert figures(flow_ml_s=1.4).lower_ml(on(1, 0, 10)) == pytest.approx(1.4 * 9.89)
    assert figures(flow_ml_s=2.5, lag_s=-1.0).lower_ml(on(1, 0, 0.11)) == 0.0
    assert figures().lower_by_line_ml([on(1, 0, 10), on(1, 20, 25)]) == {1: pytest.approx(1.5 * (9.89 + 4.89))}


def test_volumes_add_up_by_line():
    found = figures(flow_ml_s=2.2).by_line_ml([on(1, 0, 10), on(2, 10, 14), on(1, 20, 25)])
    assert found == {1: pytest.approx(33.0), 2: pytest.approx(8.0)}
    assert math.isfinite(sum(found.values()))


def test_short_runs_sag_as_well_and_no_run_at_all_only_coasts():
    # Half a second beside 0.5 A: 10 % per ampere make 5 %.
    company = [on(1, 0, 0.5), on(2, 0, 0.5)]
    assert figures(flow_ml_s=2.0, sag_per_a=0.1).run_ml(company[0], company) == pytest.approx(2 * 0.95 * 0.5)
    # A pump that coasts 0.1 s longer than it takes to start.
    assert figures(flow_ml_s=2.0, lag_s=-0.1, sag_per_a=0.1).run_ml(on(1, 3, 3), []) == pytest.approx(0.2)
