"""Calibrate a line by weight: the fit, what it says of itself, and run times from it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from msgspec import structs

from controller.errors import Refused
from controller.metering.distributions import chi_squared_tail
from controller.metering.findings import findings
from controller.metering.fitted import Fit
from controller.metering.flow_law import FlowLaw, Scatter, delivered_ml_of, run_time_s_of
from controller.metering.regression import Estimate, estimate, leans_on_lag, leans_on_sag, wants_sag
from controller.metering.residuals import curvature, exchanged, outliers
from controller.metering.scatter import find_scatter
from controller.metering.trials import DEFAULT_PRIOR, Prior, Trial
from controller.model.calibration import Calibration

__all__ = [
    "DEFAULT_PRIOR",
    "Fit",
    "Prior",
    "Trial",
    "delivered_ml",
    "fit",
    "fit_law",
    "law_of",
    "run_time_s",
    "to_calibration",
]

# Below this probability the residuals are held against the weighing uncertainties; 5 % as is customary.
_DISBELIEF = 0.05
# With fewer degrees of freedom the residuals cannot vouch for the weighing uncertainties.
_VOUCHING_DOF = 2


def fit(trials: Sequence[Trial], prior: Prior | None = None) -> Fit:
    """Fit flow, lag and (when trials ran beside others) sag to one or more weighed trials.

    volume = flow (1 - sag I) (on - lag), weighted least squares with the full covariance. Without a prior the trials
    speak for themselves; only what they cannot tell (lag when all ran equally long, sag when all ran beside the same
    current, scatter when there are few) comes from DEFAULT_PRIOR, with its spread. A prior given (pooled from other
    lines) counts in full, as extra observations, and fades as trials are added. Refused when there is no trial or when
    longer runs deliver less.
    """
    if not trials:
        raise Refused(rule="trials", reason="there is no trial to fit.", way_out="Weigh at least one run.")
    if all(trial.volume_ml == 0.0 for trial in trials):
        raise Refused(rule="flow", reason="nothing was delivered.", way_out="Prime the line, then repeat the trials.")
    try:
        core = _core(trials, prior)
    except Refused as refused:
        raise _named(refused, trials, prior) from None
    found = core.estimate
    plain = Fit(
        trials=tuple(trials),
        law=core.law,
        residuals_ml=found.residuals_ml,
        chi_squared=core.chi_squared,
        degrees_of_freedom=found.degrees_of_freedom,
        agreement=core.agreement,
        weighed_by=core.weighed_by,
        lag_is_known=not leans_on_lag(trials),
        sag_is_known=wants_sag(trials) and not leans_on_sag(trials),
        curvature=curvature(trials, core.law, core.weights),
        outliers=outliers(trials, lambda some: fit_law(some, prior)),
        exchanged=exchanged(trials, prior or DEFAULT_PRIOR),
        warnings=(),
    )
    return structs.replace(plain, warnings=findings(plain, prior or DEFAULT_PRIOR))


def fit_law(trials: Sequence[Trial], prior: Prior | None = None) -> FlowLaw:
    """The law of `fit` alone, without a look at the residuals: a tenth of the work. Refused likewise."""
    return _core(trials, prior).law


@dataclass(frozen=True, kw_only=True)
class _Core:
    """The numbers of a fit, before anyone has looked at its residuals."""

    estimate: Estimate
    law: FlowLaw
    weights: tuple[float, ...]
    chi_squared: float
    agreement: float | None
    weighed_by: Literal["weighing", "scatter"]


def _core(trials: Sequence[Trial], prior: Prior | None) -> _Core:
    """Estimate once with the weighing uncertainties; again with the scatter where the residuals disown these."""
    known, full = prior or DEFAULT_PRIOR, prior is not None
    weights = tuple(1.0 / trial.u_volume_ml**2 for trial in trials)
    found = estimate(trials, weights, known, full_prior=full)
    scatter = find_scatter(trials, known, full_prior=full)
    chi_squared, dof = found.chi_squared, found.degrees_of_freedom
    agreement = chi_squared_tail(chi_squared, dof) if dof > 0 else None
    weighed_by: Literal["weighing", "scatter"] = "weighing"
    if agreement is None or dof < _VOUCHING_DOF or agreement < _DISBELIEF:
        weighed_by = "scatter"
        weights = tuple(1.0 / max(t.u_volume_ml, scatter.at_ml(t.volume_ml)) ** 2 for t in trials)
        found = estimate(trials, weights, known, full_prior=full)
    flow_ml_s, lag_s, sag_per_a = found.parameters
    law = FlowLaw(flow_ml_s=flow_ml_s, lag_s=lag_s, sag_per_a=sag_per_a, covariance=found.covariance, scatter=scatter)
    return _Core(
        estimate=found,
        law=law,
        weights=weights,
        chi_squared=chi_squared,
        agreement=agreement,
        weighed_by=weighed_by,
    )


def _named(refused: Refused, trials: Sequence[Trial], prior: Prior | None) -> Refused:
    """The same refusal, naming two exchanged masses when these explain it."""
    pair = exchanged(trials, prior or DEFAULT_PRIOR)
    if refused.rule != "flow" or pair is None:
        return refused
    return Refused(
        rule=refused.rule,
        reason=refused.reason,
        way_out=f"The masses of trials {pair[0] + 1} and {pair[1] + 1} look exchanged: correct or repeat them.",
    )


def to_calibration(
    fitted: Fit, line: int, liquid: str, *, taken_wall_s: float = 0.0, taken_by: str = "", note: str = ""
) -> Calibration:
    """The fit as the machine keeps it."""
    return Calibration(
        line=line,
        liquid=liquid,
        flow_ml_s=fitted.flow_ml_s,
        lag_s=fitted.lag_s,
        u_flow_ml_s=fitted.u_flow_ml_s,
        u_lag_s=fitted.u_lag_s,
        cov_flow_lag=fitted.cov_flow_lag,
        sag_per_a=fitted.sag_per_a,
        u_sag_per_a=fitted.u_sag_per_a,
        scatter_ml=fitted.scatter.fixed_ml,
        scatter_fraction=fitted.scatter.fraction,
        scatter_dof=fitted.scatter.degrees_of_freedom,
        taken_wall_s=taken_wall_s,
        taken_by=taken_by,
        note=note or f"{len(fitted.trials)} trials",
    )


def law_of(calibration: Calibration) -> FlowLaw:
    """The law that a kept calibration stands for, with the scatter usually assumed where none was kept.

    Covariances with the sag are not kept and count as 0.
    """
    is_kept = calibration.scatter_dof > 0.0
    return FlowLaw(
        flow_ml_s=calibration.flow_ml_s,
        lag_s=calibration.lag_s,
        sag_per_a=calibration.sag_per_a,
        covariance=(
            (calibration.u_flow_ml_s**2, calibration.cov_flow_lag, 0.0),
            (calibration.cov_flow_lag, calibration.u_lag_s**2, 0.0),
            (0.0, 0.0, calibration.u_sag_per_a**2),
        ),
        scatter=Scatter(
            fixed_ml=calibration.scatter_ml if is_kept else DEFAULT_PRIOR.scatter_ml,
            fraction=calibration.scatter_fraction if is_kept else DEFAULT_PRIOR.scatter_fraction,
            degrees_of_freedom=calibration.scatter_dof if is_kept else DEFAULT_PRIOR.scatter_dof,
        ),
    )


def run_time_s(calibration: Calibration, volume_ml: float, others_a: float = 0.0) -> float:
    """On-time (s) for a mean volume (mL, > 0) beside others that draw others_a (A, >= 0); inverse of delivered_ml.

    OutOfRange when the line coasts so long that no run is short enough for the volume.
    """
    return run_time_s_of(calibration.flow_ml_s, calibration.lag_s, calibration.sag_per_a, volume_ml, others_a)


def delivered_ml(calibration: Calibration, on_s: float, others_a: float = 0.0) -> float:
    """Mean volume (mL) of a run of on_s (s, >= 0) beside others that draw others_a (A, >= 0); 0 within the lag."""
    return delivered_ml_of(calibration.flow_ml_s, calibration.lag_s, calibration.sag_per_a, on_s, others_a)
