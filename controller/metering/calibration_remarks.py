"""What a fit has to say about itself, in sentences for the person at the machine."""

from controller.metering.fitted import Fit
from controller.metering.residuals import Outlier
from controller.metering.trials import Prior, number_of
from controller.model.weighing import FitRemark

# Lags further out than this many prior standard deviations are pointed out; 3 as is customary.
_FAR = 3.0


def findings(fitted: Fit, prior: Prior) -> tuple[FitRemark, ...]:
    """One remark for each thing to know or to correct, the most important first; trials are counted from 1."""
    return (
        *_exchange(fitted),
        *(_outlier(fitted, one) for one in fitted.outliers),
        *_bend(fitted),
        *_unknowns(fitted, prior),
        *_agreement(fitted),
        *_odd_lag(fitted, prior),
        *_odd_sag(fitted, prior),
        *_dry(fitted),
    )


def _exchange(fitted: Fit) -> list[FitRemark]:
    if fitted.exchanged is None:
        return []
    first, second = (number_of(fitted.trials, index) for index in fitted.exchanged)
    what_now = "Both are left out." if fitted.exchanged[0] in fitted.left_out else "Correct or repeat both."
    text = (
        f"The masses of trials {first} and {second} look exchanged: with them the other way round all trials agree. "
        f"{what_now}"
    )
    return [FitRemark(about="exchanged", text=text)]


def _outlier(fitted: Fit, one: Outlier) -> FitRemark:
    trial = fitted.trials[one.index]
    said = (
        f"Trial {number_of(fitted.trials, one.index)} ({trial.on_s:g} s) does not fit: {trial.volume_ml:.2f} mL, where "
        f"the others lead to {one.expected_ml:.2f} mL; by chance in {_rarity(one.probability)} calibrations."
    )
    if one.index in fitted.left_out:
        return FitRemark(about="outlier", text=f"{said} It is left out. {one.suggestion}".rstrip())
    return FitRemark(about="outlier", text=f"{said} {one.suggestion or 'Repeat it.'}")


def _rarity(probability: float) -> str:
    return "1 in a million" if probability < 1e-6 else f"1 in {1.0 / probability:.0f}"


def _bend(fitted: Fit) -> list[FitRemark]:
    bend = fitted.curvature
    if bend is None or not bend.is_significant:
        return []
    text = (
        f"A straight line does not fit: over these run times the flow {'rises' if bend.flow_change > 0 else 'falls'} "
        f"by {abs(100 * bend.flow_change):.1f} % (quadratic term {bend.term_ml_s2:.2g} mL/s2, p = "
        f"{bend.probability:.2g}). Look for a container running low, a warming pump or a soft tube, or calibrate "
        "near the run times served."
    )
    return [FitRemark(about="bend", text=text)]


def _unknowns(fitted: Fit, prior: Prior) -> list[FitRemark]:
    said = list[FitRemark]()
    if not fitted.lag_is_known:
        times_s = {trial.on_s for trial in fitted.trials}
        why = f"All trials ran for {min(times_s):g} s" if len(times_s) == 1 else "The trials are too few"
        text = (
            f"{why}: they cannot separate lag and flow. A lag of {prior.lag_s:.2f} +- {prior.u_lag_s:.2f} s is "
            f"assumed, worth {prior.u_lag_s * fitted.flow_ml_s:.2f} mL in doses far from "
            f"{fitted.trials[0].volume_ml:.0f} mL. Add a trial of another run time."
        )
        said.append(FitRemark(about="lag", text=text))
    if any(trial.others_a > 0.0 for trial in fitted.trials) and not fitted.sag_is_known:
        text = (
            f"All trials ran beside {fitted.trials[0].others_a:g} A: they cannot separate sag from flow. A sag of "
            f"{100 * prior.sag_per_a:.1f} +- {100 * prior.u_sag_per_a:.1f} % per A is assumed. Add a trial alone."
        )
        said.append(FitRemark(about="sag", text=text))
    if fitted.degrees_of_freedom < 4:
        text = (
            f"With {len(fitted.trials)} trials the scatter from run to run is in part assumed "
            f"({prior.scatter_ml:.2g} mL and {100 * prior.scatter_fraction:.2g} %). Add trials to measure it."
        )
        said.append(FitRemark(about="scatter", text=text))
    return said


def _agreement(fitted: Fit) -> list[FitRemark]:
    if fitted.agreement is None or fitted.agreement <= 0.995:
        return []
    text = (
        f"The trials agree better than their stated uncertainties allow (chi-squared {fitted.chi_squared:.3g} for "
        f"{fitted.degrees_of_freedom} degrees of freedom): are these too large?"
    )
    return [FitRemark(about="agreement", text=text)]


def _odd_lag(fitted: Fit, prior: Prior) -> list[FitRemark]:
    if not fitted.lag_is_known or abs(fitted.lag_s - prior.lag_s) <= _FAR * (prior.u_lag_s + fitted.u_lag_s):
        return []
    text = (
        f"A lag of {fitted.lag_s:.2f} s is unlike such pumps ({prior.lag_s:.2f} +- {prior.u_lag_s:.2f} s). Look for "
        "air in the tube, a jar not tared, or a mass noted for the wrong run."
    )
    return [FitRemark(about="odd_lag", text=text)]


def _odd_sag(fitted: Fit, prior: Prior) -> list[FitRemark]:
    far = _FAR * (prior.u_sag_per_a + fitted.u_sag_per_a)
    if not fitted.sag_is_known or abs(fitted.sag_per_a - prior.sag_per_a) <= far:
        return []
    text = (
        f"A sag of {100 * fitted.sag_per_a:.1f} % per A is unlike such machines ({100 * prior.sag_per_a:.1f} +- "
        f"{100 * prior.u_sag_per_a:.1f} %). Look at the supply and its wires, or at the trials that ran beside others."
    )
    return [FitRemark(about="odd_sag", text=text)]


def _dry(fitted: Fit) -> list[FitRemark]:
    return [
        FitRemark(
            about="dry",
            text=f"Trial {number_of(fitted.trials, index)} ({trial.on_s:g} s) delivered nothing: prime the line and "
            "repeat it.",
        )
        for index, trial in enumerate(fitted.trials)
        if trial.volume_ml == 0.0
    ]
