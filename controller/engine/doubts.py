"""What speaks against putting a fit in force: what the guard would refuse, and what a person must say twice."""

from controller.errors import OutOfRange, Refused
from controller.metering.calibration import Fit, delivered_ml
from controller.metering.dose import predict
from controller.metering.flow_law import FlowLaw
from controller.metering.trials import number_of
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.doses import resolve
from controller.model.profile import Profile
from controller.model.weighing import Doubt

# A new factor more than 15 % from the old is questioned (operating procedure of a bioreactor with 32 pump lines).
MUCH = 0.15


def doubts(profile: Profile, book: Book, fitted: Fit, new: Calibration, last: Calibration | None) -> tuple[Doubt, ...]:
    """Reasons for a second yes, in sentences."""
    return (*_change(profile, fitted, new, last), *_doses(book, fitted, new.liquid), *_trials(fitted))


def _change(profile: Profile, fitted: Fit, new: Calibration, last: Calibration | None) -> list[Doubt]:
    counted = [one for index, one in enumerate(fitted.trials) if index not in fitted.left_out]
    on_s = max(one.on_s for one in counted)
    found_ml = delivered_ml(new, on_s)
    if last is not None and last.liquid == new.liquid:
        before_ml, what = delivered_ml(last, on_s), "by the last calibration"
    else:
        before_ml, what = profile.line(new.line).pump.nominal_flow_ml_s * on_s, "by the pump's data"
    if before_ml <= 0.0 or abs(found_ml / before_ml - 1.0) <= MUCH:
        return []
    text = (
        f"a run of {on_s:g} s gives {found_ml:.1f} mL, {abs(100 * (found_ml / before_ml - 1)):.0f} % "
        f"{'more' if found_ml > before_ml else 'less'} than {what} ({before_ml:.1f} mL)."
    )
    return [Doubt(about="change", text=text)]


def _doses(book: Book, law: FlowLaw, liquid: str) -> list[Doubt]:
    """Whether any dose of this liquid in the book would stay inside its tolerance."""
    asked_ml = sorted(
        {
            volume_ml
            for recipe in book.recipes
            for phase in resolve(recipe, book)
            for name, volume_ml in phase.doses
            if name == liquid and volume_ml > 0.0
        }
    )
    if not asked_ml or any(_is_inside(law, volume_ml) for volume_ml in asked_ml):
        return []
    text = (
        f"no dose of {liquid} in the book ({asked_ml[0]:g} to {asked_ml[-1]:g} mL) would stay inside its tolerance: "
        f"{_error(law, asked_ml[0])}."
    )
    return [Doubt(about="dose", text=text)]


def _is_inside(law: FlowLaw, volume_ml: float) -> bool:
    try:
        return predict(law, volume_ml).is_inside
    except OutOfRange:
        return False


def _error(law: FlowLaw, volume_ml: float) -> str:
    try:
        expected = predict(law, volume_ml)
    except OutOfRange:
        return f"{volume_ml:g} mL is less than the line can meter"
    return f"of {volume_ml:g} mL up to {expected.u95_ml:.1f} mL off (95 %), {expected.tolerance_ml:.1f} mL allowed"


def _trials(fitted: Fit) -> list[Doubt]:
    wild = [one.index for one in fitted.outliers] + list(fitted.exchanged or ())
    counted = sorted({number_of(fitted.trials, index) for index in wild if index not in fitted.left_out})
    if not counted:
        return []
    numbers = ", ".join(map(str, counted))
    return [Doubt(about="trial", text=f"trial {numbers} does not fit the others, and with so few trials it counts.")]


def require_possible(profile: Profile, new: Calibration) -> None:
    """Refused as the guard would refuse it, before anything is on record."""
    band, flow = profile.calibration, profile.flow_band(new.line)
    if not flow.least_ml_s <= new.flow_ml_s <= flow.most_ml_s:
        raise Refused(
            rule="calibration_flow",
            reason=f"a flow of {new.flow_ml_s:.3f} mL/s is outside what the profile states for the pump.",
            asked=f"{new.flow_ml_s:.3f} mL/s",
            allowed=f"{flow.least_ml_s:.3f} to {flow.most_ml_s:.3f} mL/s",
            remedy="Strike the trials that were weighed wrongly, or look for a kinked tube, air, or a wrong pump in "
            "the profile.",
        )
    if abs(new.lag_s) > band.lag_s:
        raise Refused(
            rule="calibration_lag",
            reason=f"a lag of {new.lag_s:.2f} s is too long to be true.",
            asked=f"{new.lag_s:.2f} s",
            allowed=f"-{band.lag_s:.2f} to {band.lag_s:.2f} s",
            remedy="Was the jar tared before each run? Strike the wrong trials, prime the line and weigh again.",
        )
