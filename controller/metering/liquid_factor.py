"""One line, another liquid: how its flow compares, expected from the tube or measured by a spot check."""

import math
from collections.abc import Sequence

from msgspec import structs

from controller.errors import Refused
from controller.metering.calibration import law_of
from controller.metering.density import liquid_kg_m3
from controller.metering.least_squares import solve
from controller.metering.suction import flow_fraction
from controller.metering.trials import Trial
from controller.metering.viscosity import liquid_mpa_s
from controller.model.book import Liquid
from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.profile import Line


class LiquidFactor(Value, frozen=True, kw_only=True):
    """Flow of `liquid` over flow of the liquid that the line was calibrated with, and its standard uncertainty."""

    line: int
    liquid: str
    ratio: float
    u_ratio: float
    spot_checks: int  # 0: expected only


def expected_factor(line: Line, calibrated_with: Liquid, liquid: Liquid) -> LiquidFactor:
    """What the suction tube leads one to expect, each liquid as it is served.

    From `suction.flow_fraction`. That picture is rough: half of the fall that it works out, and 1 % besides, count as
    standard uncertainty. Refused when the calibrated liquid itself would not be drawn.
    """
    fractions = []
    for one in (calibrated_with, liquid):
        viscosity, _ = liquid_mpa_s(one, one.served_at_c)
        density, _ = liquid_kg_m3(one, one.served_at_c)
        fractions.append(flow_fraction(line.tube, line.pump, viscosity, density))
    if fractions[0] <= 0.0:
        raise Refused(
            rule="suction", reason=f"line {line.line} cannot draw {calibrated_with.liquid}.", remedy="Lower the pump."
        )
    ratio = fractions[1] / fractions[0]
    return LiquidFactor(
        line=line.line,
        liquid=liquid.liquid,
        ratio=ratio,
        u_ratio=math.hypot(0.01, 0.5 * (1.0 - ratio)),
        spot_checks=0,
    )


def measured_factor(
    calibration: Calibration, liquid: str, spot_checks: Sequence[Trial], expected: LiquidFactor | None = None
) -> LiquidFactor:
    """The factor from one or more weighed runs of another liquid on a calibrated line.

    The lag is taken over from the calibration. Variance: weighing and scatter of each run, and the calibration's own
    uncertainty, which all runs share. With `expected` it counts as one more observation. Refused without a spot check.
    """
    if not spot_checks:
        raise Refused(rule="trials", reason="there is no spot check to work from.", remedy="Weigh one run.")
    law = law_of(calibration)
    rows, values, weights, shares = [], [], [], []
    for trial in spot_checks:
        mean_ml = law.delivered_ml(trial.on_s, trial.others_a)
        if mean_ml <= 0.0:
            raise Refused(
                rule="run time",
                reason=f"a run of {trial.on_s:g} s ends within the lag of {law.lag_s:.2f} s.",
                remedy="Run longer.",
            )
        rows.append((mean_ml,))
        values.append(trial.volume_ml)
        weights.append(1.0 / (trial.u_volume_ml**2 + law.scatter.at_ml(mean_ml) ** 2))
        shares.append(law.u_mean_ml(trial.on_s, trial.others_a) / mean_ml)
    found = solve(rows, values, weights)
    ratio = found.parameters[0]
    # The calibration's error is common to all runs: the mean of its relative share, not its root mean square over n.
    u_ratio = math.hypot(math.sqrt(found.covariance[0][0]), ratio * math.fsum(shares) / len(shares))
    if expected is not None:
        of_measured, of_expected = 1.0 / u_ratio**2, 1.0 / expected.u_ratio**2
        ratio = (ratio * of_measured + expected.ratio * of_expected) / (of_measured + of_expected)
        u_ratio = 1.0 / math.sqrt(of_measured + of_expected)
    return LiquidFactor(
        line=calibration.line,
        liquid=liquid,
        ratio=ratio,
        u_ratio=u_ratio,
        spot_checks=len(spot_checks),
    )


def with_factor(calibration: Calibration, factor: LiquidFactor) -> Calibration:
    """The calibration carried over to the factor's liquid; flow and its uncertainty grow or shrink, the lag stays."""
    ratio = factor.ratio
    return structs.replace(
        calibration,
        liquid=factor.liquid,
        flow_ml_s=ratio * calibration.flow_ml_s,
        u_flow_ml_s=math.hypot(ratio * calibration.u_flow_ml_s, calibration.flow_ml_s * factor.u_ratio),
        cov_flow_lag=ratio * calibration.cov_flow_lag,
        note=f"{calibration.liquid} x {ratio:.4f} +- {factor.u_ratio:.4f}",
    )
