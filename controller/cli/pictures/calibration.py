"""The picture of a calibration: residuals of the trials, and the error to expect beside the tolerance."""

from pathlib import Path

from controller.cli.pictures.figure import COLOURS, INK, draw_tolerance, new_figure, save
from controller.model.views import FitView


def draw_calibration(fit: FitView, path: Path) -> None:
    """Draw it into a .svg or .png file. Raises TundishError."""
    figure, (residuals, errors) = new_figure(f"line {fit.line}, {fit.liquid}", (2.6, 3.4))
    known = [one for one in fit.trials or fit.behind if one.residual_ml is not None]
    residuals.axhline(0.0, color=INK, linewidth=0.8)
    residuals.plot([one.volume_ml for one in known], [one.residual_ml for one in known], "o", color=COLOURS[5])
    residuals.set(xlabel="volume of the trial / mL", ylabel="weighed - fitted / mL")
    residuals.margins(y=0.2)
    doses_ml, u95_ml = [one.dose_ml for one in fit.doses], [one.u95_ml for one in fit.doses]
    draw_tolerance(errors, max(doses_ml, default=100.0))
    band = errors.fill_between(doses_ml, [-one for one in u95_ml], u95_ml, label="error to expect, 95 of 100 doses")
    band.set(facecolor=COLOURS[0], edgecolor=INK, hatch="//", alpha=0.6)
    errors.set(xlabel="dose / mL", ylabel="error / mL")
    if doses_ml:
        errors.legend(loc="upper left", fontsize=8, frameon=False)
    save(figure, path)
