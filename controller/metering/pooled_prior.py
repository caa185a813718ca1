"""What the lines calibrated so far say about one that has few trials or none."""

import math
from collections.abc import Mapping, Sequence

from controller.errors import Refused
from controller.metering.trials import DEFAULT_PRIOR, Prior
from controller.model.calibration import Calibration

# Pumps of one make differ by this fraction in flow when only their data sheet is known. Omega FPU5MT manual, tables
# 9-2 and 9-3: 10 to 25 % from pump to pump.
SPREAD_OF_FLOW = 0.15
_MOST_SCATTER_DOF = 30.0  # lines differ: a pool is never as sure as all residuals together would have it


def pooled_prior(
    calibrations: Sequence[Calibration], nominal_ml_s: Mapping[int, float] | None = None, line: int | None = None
) -> Prior:
    """A prior for one more line like these: mean and spread of lag, sag and flow, pooled scatter.

    The spread between the lines, widened for their small number (prediction of one more: 1 + 1/n) and mixed with
    DEFAULT_PRIOR as if with one line more, is the standard uncertainty. Flow is pooled as a fraction of nominal flow
    when nominal_ml_s (line number: mL/s) knows this line and all of these; else it is left out. Refused without any.
    """
    if not calibrations:
        raise Refused(rule="pool", reason="no line is calibrated yet.", remedy="Calibrate one line in full first.")
    lag_s, u_lag_s = _mean_and_spread([one.lag_s for one in calibrations], DEFAULT_PRIOR.lag_s, DEFAULT_PRIOR.u_lag_s)
    with_sag = [one.sag_per_a for one in calibrations if one.u_sag_per_a > 0.0]
    sag, u_sag = _mean_and_spread(with_sag, DEFAULT_PRIOR.sag_per_a, DEFAULT_PRIOR.u_sag_per_a)
    flow_ml_s, u_flow_ml_s = _flow(calibrations, nominal_ml_s or {}, line)
    kept = [one for one in calibrations if one.scatter_dof > 0.0]
    dof = math.fsum(one.scatter_dof for one in kept)
    scatter_ml, fraction = DEFAULT_PRIOR.scatter_ml, DEFAULT_PRIOR.scatter_fraction
    if kept:
        scatter_ml = math.sqrt(math.fsum(one.scatter_dof * one.scatter_ml**2 for one in kept) / dof)
        fraction = math.sqrt(math.fsum(one.scatter_dof * one.scatter_fraction**2 for one in kept) / dof)
    return Prior(
        lag_s=lag_s,
        u_lag_s=u_lag_s,
        sag_per_a=sag,
        u_sag_per_a=u_sag,
        flow_ml_s=flow_ml_s,
        u_flow_ml_s=u_flow_ml_s,
        scatter_ml=scatter_ml,
        scatter_fraction=fraction,
        scatter_dof=min(_MOST_SCATTER_DOF, dof) if kept else DEFAULT_PRIOR.scatter_dof,
    )


def _mean_and_spread(values: Sequence[float], assumed: float, u_assumed: float) -> tuple[float, float]:
    """Mean, and standard uncertainty of one more like these."""
    if not values:
        return assumed, u_assumed
    count = len(values)
    mean = math.fsum(values) / count
    squares = math.fsum((value - mean) ** 2 for value in values)
    return mean, math.sqrt((1.0 + 1.0 / count) * (squares + u_assumed**2) / count)


def _flow(
    calibrations: Sequence[Calibration], nominal_ml_s: Mapping[int, float], line: int | None
) -> tuple[float | None, float | None]:
    if line is None or line not in nominal_ml_s or any(one.line not in nominal_ml_s for one in calibrations):
        return None, None
    fractions = [one.flow_ml_s / nominal_ml_s[one.line] for one in calibrations]
    mean, spread = _mean_and_spread(fractions, 1.0, SPREAD_OF_FLOW)
    return mean * nominal_ml_s[line], spread * nominal_ml_s[line]
