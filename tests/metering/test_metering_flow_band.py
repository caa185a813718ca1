"""The flow that a commissioned pump states, worked by hand."""

import pytest

from controller.metering.flow_band import as_written, commissioned
from controller.model.calibration import Calibration
from controller.model.profile import FlowBand


def test_a_commissioned_band_lies_around_the_calibration():
    known = Calibration(
        line=1, liquid="apple juice", flow_ml_s=5.0, lag_s=0.0, u_flow_ml_s=0.05, u_lag_s=0.0, cov_flow_lag=0.0
    )
    band = commissioned(known)
    assert band.least_ml_s == pytest.approx(4.9 * 0.88)
    assert band.most_ml_s == pytest.approx(5.1 * 1.06)


def test_it_is_written_as_the_profile_takes_it_rounded_outwards():
    band = FlowBand(least_ml_s=4.312, most_ml_s=5.406)  # 258.72 and 324.36 mL/min
    assert as_written(band) == "flow: {least: 258 mL/min, most: 325 mL/min}"
