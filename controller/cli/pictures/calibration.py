"""The picture of a calibration: residuals of the trials, and the error to expect beside the tolerance.

Where servings were weighed since, the flow's path over them as well, with its interval.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.pictures.figure import COLOURS, INK, draw_tolerance, new_figure, save
from controller.model.learning import LearnedPoint
from controller.model.views import FitView

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_calibration(fit: FitView, learned: Sequence[LearnedPoint], path: Path) -> None:
    """Draw it into a .svg or .png file. Raises TundishError."""
    heights_in = (2.6, 3.4, 2.6) if learned else (2.6, 3.4)
    figure, (residuals, errors, *flows) = new_figure(f"line {fit.line}, {fit.liquid}", heights_in)
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
    for axes in flows:
        draw_path(axes, learned)
    save(figure, path)


def draw_path(axes: "Axes", learned: Sequence[LearnedPoint]) -> None:
    """A line's flow after each weighed serving, with its 95 % interval."""
    numbers = range(1, len(learned) + 1)
    flows = [one.flow_ml_s for one in learned]
    low = [one.flow_ml_s - 1.96 * one.u_flow_ml_s for one in learned]
    high = [one.flow_ml_s + 1.96 * one.u_flow_ml_s for one in learned]
    axes.fill_between(numbers, low, high, color=COLOURS[0], alpha=0.4, label="95 % interval")
    axes.plot(numbers, flows, "o-", color=COLOURS[5], markersize=3, label="flow")
    axes.set(xlabel="weighed servings since the calibration", ylabel="flow / mL/s")
    axes.legend(loc="best", fontsize=8, frameon=False)
