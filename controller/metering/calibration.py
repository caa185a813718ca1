"""Calibrate a line by weight: the fit, what it says of itself, and run times from it."""

from collections.abc import Sequence

from msgspec import structs

from controller.errors import Refused
from controller.metering.calibration_remarks import findings
from controller.metering.distributions import chi_squared_tail
from controller.metering.fitted import Fit
from controller.metering.flow_law import FlowLaw, Scatter, delivered_ml, run_time_s
from controller.metering.regression import estimate, leans_on_lag, leans_on_sag, wants_sag
from controller.metering.residuals import Sifted, curvature, exchanged, mean_ml, sift
from controller.metering.scatter import law_under, weighing_share
from controller.metering.trials import DEFAULT_PRIOR, Prior, Trial, number_of, with_shared_rounding
from controller.model.calibration import Calibration
from controller.model.fields import like

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


def fit(trials: Sequence[Trial], prior: Prior | None = None, *, u_common: float = 0.0) -> Fit:
    """Fit flow, lag and (when trials ran beside others) sag to one or more weighed trials.

    volume = flow (1 - sag I) (on - lag), weighted least squares with the full covariance, over all scatters that the
    residuals leave likely. Wild trials are left out of six or more. Without a prior the trials speak for themselves;
    only what they leave open (lag when all ran equally long, sag when all ran beside the same current, scatter when
    there are few) comes from DEFAULT_PRIOR, with its spread. A prior given (pooled from other lines) counts in full,
    as extra observations, and fades as trials are added. u_common: relative standard uncertainty of all volumes
    together (scale factor, density), which no number of trials averages away. Refused when there is no trial, when
    longer runs deliver less, or when the trials contradict each other.
    """
    known = prior or DEFAULT_PRIOR
    counted, sifted = _sifted(trials, prior)
    law = _law(counted, sifted, u_common)
    plain = estimate(counted, [1.0 / one.u_volume_ml**2 for one in counted], known, full_prior=prior is not None)
    weights = [1.0 / (one.u_volume_ml**2 + law.scatter.at_ml(one.volume_ml) ** 2) for one in counted]
    found = Fit(
        trials=tuple(trials),
        **structs.asdict(law),
        residuals_ml=tuple(trial.volume_ml - mean_ml(law, trial.on_s, trial.others_a) for trial in trials),
        chi_squared=plain.chi_squared,
        degrees_of_freedom=plain.degrees_of_freedom,
        agreement=chi_squared_tail(plain.chi_squared, plain.degrees_of_freedom) if plain.degrees_of_freedom else None,
        lag_is_known=not leans_on_lag(counted),
        sag_is_known=wants_sag(counted) and not leans_on_sag(counted),
        curvature=curvature(counted, law, weights),
        outliers=sifted.outliers,
        left_out=tuple(index for index in range(len(trials)) if index not in sifted.kept),
        exchanged=sifted.exchanged,
        warnings=(),
    )
    return structs.replace(found, warnings=findings(found, known))


def fit_law(trials: Sequence[Trial], prior: Prior | None = None, *, u_common: float = 0.0) -> FlowLaw:
    """The law of `fit` alone, without what else is to be said of the residuals. Refused likewise."""
    counted, sifted = _sifted(trials, prior)
    return _law(counted, sifted, u_common)


def _sifted(trials: Sequence[Trial], prior: Prior | None) -> tuple[list[Trial], Sifted]:
    """The trials that count, equal readings of a coarse scale widened, and what was found among all of them."""
    if not trials:
        raise Refused(rule="trials", reason="there is no trial to fit.", remedy="Weigh at least one run.")
    if all(trial.volume_ml == 0.0 for trial in trials):
        raise Refused(rule="flow", reason="nothing was delivered.", remedy="Prime the line, then repeat the trials.")
    known = prior or DEFAULT_PRIOR
    widened = with_shared_rounding(trials, known)
    try:
        sifted = sift(widened, known, full_prior=prior is not None)
    except Refused as refused:
        raise _named(refused, trials, known) from None
    return [widened[index] for index in sifted.kept], sifted


def _law(counted: Sequence[Trial], sifted: Sifted, u_common: float) -> FlowLaw:
    law = law_under(sifted.assumed)
    share = weighing_share(counted, law.scatter)
    return structs.replace(law, weighing_share=share).with_common(u_common)


def _named(refused: Refused, trials: Sequence[Trial], prior: Prior) -> Refused:
    """The same refusal, naming two exchanged masses when these explain it."""
    pair = exchanged(trials, prior)
    if refused.rule != "flow" or pair is None:
        return refused
    return Refused(
        rule=refused.rule,
        reason=refused.reason,
        remedy=f"The masses of trials {number_of(trials, pair[0])} and {number_of(trials, pair[1])} look exchanged: "
        "correct or repeat them.",
    )


def to_calibration(
    fitted: Fit, line: int, liquid: str, *, taken_wall_s: float = 0.0, taken_by: str = "", note: str = ""
) -> Calibration:
    """The fit as the machine keeps it."""
    return like(
        Calibration,
        fitted,
        line=line,
        liquid=liquid,
        scatter_ml=fitted.scatter.fixed_ml,
        scatter_fraction=fitted.scatter.fraction,
        scatter_dof=fitted.scatter.degrees_of_freedom,
        taken_wall_s=taken_wall_s,
        taken_by=taken_by,
        note=note or f"{len(fitted.trials) - len(fitted.left_out)} trials",
    )


def law_of(calibration: Calibration) -> FlowLaw:
    """The law that a kept calibration stands for, with the scatter usually assumed where none was kept.

    Covariances with the sag are not kept and count as 0.
    """
    is_kept = calibration.scatter_dof > 0.0
    return like(
        FlowLaw,
        calibration,
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
