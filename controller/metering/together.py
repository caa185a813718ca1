"""Sag from a jar filled by several lines at once: all tubes end over one funnel, so only their sum can be weighed."""

import math
from collections.abc import Sequence

from controller.errors import Refused
from controller.metering.calibration import delivered_ml
from controller.model.calibration import Calibration
from controller.model.fields import Value

RUN_SCATTER = 0.004  # of one run's volume; what small peristaltic pumps do: common practice, no source


class Share(Value, frozen=True, kw_only=True):
    """One line's part: calibration alone, on-time (s), the others' mean current (A), density (kg/m3)."""

    calibration: Calibration
    on_s: float
    others_a: float
    density_kg_m3: float


class Sag(Value, frozen=True, kw_only=True):
    """Loss of flow per ampere that others draw, common to all lines of the supply; its standard uncertainty."""

    sag_per_a: float
    u_sag_per_a: float
    expected_g: float  # had every line run alone


def sag_together(shares: Sequence[Share], grams: float, u_grams: float) -> Sag:
    """The sag that makes the sum of the lines' volumes weigh `grams` (u_grams: standard uncertainty, both g).

    mass = sum of density x flow x (on - lag) x (1 - sag x others), linear in the sag. One sag serves all lines, since
    they hang on the same supply and wires; lines of unlike pumps share the mean. Refused when no line had company.
    """
    expected_g = leverage_ga = variance_g2 = 0.0
    for one in shares:
        alone = _alone(one.calibration)
        alone_g = delivered_ml(alone, one.on_s) * one.density_kg_m3 / 1000.0
        expected_g += alone_g
        leverage_ga += alone_g * one.others_a
        moving_s = one.on_s - alone.lag_s
        u_mean_ml = math.sqrt(
            (moving_s * alone.u_flow_ml_s) ** 2
            + (alone.flow_ml_s * alone.u_lag_s) ** 2
            - 2.0 * moving_s * alone.flow_ml_s * alone.cov_flow_lag
        )
        variance_g2 += (u_mean_ml * one.density_kg_m3 / 1000.0) ** 2 + (RUN_SCATTER * alone_g) ** 2
    if leverage_ga <= 0.0:
        raise Refused(
            rule="trials",
            reason="no line ran beside another, so the trial says nothing about sag.",
            way_out="Run at least two lines in one trial.",
        )
    return Sag(
        sag_per_a=(expected_g - grams) / leverage_ga,
        u_sag_per_a=math.sqrt(variance_g2 + u_grams**2) / leverage_ga,
        expected_g=expected_g,
    )


def _alone(calibration: Calibration) -> Calibration:
    return Calibration(
        line=calibration.line,
        liquid=calibration.liquid,
        flow_ml_s=calibration.flow_ml_s,
        lag_s=calibration.lag_s,
        u_flow_ml_s=calibration.u_flow_ml_s,
        u_lag_s=calibration.u_lag_s,
        cov_flow_lag=calibration.cov_flow_lag,
    )
