"""Pictures of a plan and of a calibration, as SVG or PNG. Needs matplotlib, which is imported only here.

Nothing is told by colour alone: bars carry their liquid and volume and a hatching of their own, limits a label.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from controller.errors import TundishError
from controller.metering.dose import mi008_ml
from controller.model.plan import PlannedRun
from controller.model.views import FitView, PlanView

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito's palette for all kinds of colour vision (Color Universal Design, 2008; values from memory).
COLOURS = ("#56B4E9", "#E69F00", "#009E73", "#F0E442", "#CC79A7", "#0072B2", "#D55E00", "#999999")
HATCHES = ("", "//", "..", "\\\\", "xx", "--", "oo", "++")
LIMIT: dict[str, Any] = {"color": "#D55E00", "linestyle": "--", "linewidth": 1.4}
INK = "#222222"

Steps = Sequence[tuple[float, float]]


def draw_plan(plan: PlanView, path: Path) -> None:
    """Lines over time, and below them current and combined flow with their limits. Raises TundishError."""
    runs, hands = _on_one_axis(plan)
    lines = sorted({run.line for run in runs})
    figure, (above, current, flow) = new_figure(
        path, rows=3, height_in=2.9 + 0.5 * len(lines), ratios=(0.5 * len(lines), 1.0, 1.0)
    )
    title = plan.recipe + (f" x {plan.times:g}" if plan.times != 1 else "")
    times = f"{plan.makespan_s:.1f} s (one at a time {plan.one_at_a_time_s:.1f} s)"
    figure.suptitle(
        f"{title}: {times}\nwhat limits it: {plan.binding}",
        color=INK,
        fontsize=11,
    )
    _draw_runs(above, runs, lines, plan.makespan_s)
    _draw_steps(current, plan.current_a, plan.current_limit_a, "current / A", f"limit {plan.current_limit_a:g} A")
    _draw_steps(flow, plan.flow_ml_s, plan.flow_limit_ml_s, "flow / mL/s", f"limit {plan.flow_limit_ml_s:g} mL/s")
    for at_s, hand in hands:
        for axes in (above, current, flow):
            axes.axvline(at_s, color=INK, linestyle=":", linewidth=1)
        above.annotate(
            f"by hand: {hand}",
            (at_s, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, 3),
            textcoords="offset points",
            ha="left" if at_s < 0.7 * plan.makespan_s else "right",
            fontsize=8,
            color=INK,
        )
    flow.set_xlabel("pumps' time / s")
    flow.set_xlim(-0.01 * plan.makespan_s, 1.01 * plan.makespan_s)
    save(figure, path)


def draw_calibration(fit: FitView, path: Path) -> None:
    """Residuals of the trials, and the error to expect against the legal tolerance, over the dose."""
    figure, (residuals, funnel) = new_figure(path, rows=2, height_in=6.0, ratios=(1.0, 1.4), share_x=False)
    figure.suptitle(f"line {fit.line}, {fit.liquid}", color=INK)
    known = [one for one in fit.trials or fit.behind if one.residual_ml is not None]
    residuals.axhline(0.0, color=INK, linewidth=0.8)
    residuals.plot([one.volume_ml for one in known], [one.residual_ml for one in known], "o", color=COLOURS[5])
    residuals.set_xlabel("volume of the trial / mL")
    residuals.set_ylabel("weighed - fitted / mL")
    residuals.margins(y=0.2)
    doses = [one.dose_ml for one in fit.doses]
    legal = range(1, 1 + int(max(doses, default=100.0)))
    for sign in (1.0, -1.0):
        funnel.plot(
            legal,
            [sign * mi008_ml(dose_ml) for dose_ml in legal],
            label="tolerance, Directive 2014/32/EU (MI-008)" if sign > 0 else None,
            **LIMIT,
        )
    funnel.fill_between(
        doses,
        [-one.u95_ml for one in fit.doses],
        [one.u95_ml for one in fit.doses],
        facecolor=COLOURS[0],
        edgecolor=INK,
        hatch="//",
        alpha=0.6,
        label="error to expect, 95 of 100 doses",
    )
    funnel.axhline(0.0, color=INK, linewidth=0.8)
    funnel.set_xlabel("dose / mL")
    funnel.set_ylabel("error / mL")
    if doses:
        funnel.legend(loc="upper left", fontsize=8, frameon=False)
    save(figure, path)


def _on_one_axis(plan: PlanView) -> tuple[list[PlannedRun], list[tuple[float, str]]]:
    """All segments end to end: their runs with start times from the first start, and (s, hand step) between them."""
    runs: list[PlannedRun] = []
    hands: list[tuple[float, str]] = []
    offset_s = 0.0
    for segment in plan.segments:
        if segment.hand is not None:
            hands.append((offset_s, segment.hand))
        runs.extend(msgspec.structs.replace(run, start_s=offset_s + run.start_s) for run in segment.runs)
        offset_s = max((run.start_s + run.duration_s for run in runs), default=0.0)
    return runs, hands


def _draw_runs(axes: "Axes", runs: Sequence[PlannedRun], lines: Sequence[int], makespan_s: float) -> None:
    for run in runs:
        row = lines.index(run.line)
        axes.barh(
            row,
            run.duration_s,
            left=run.start_s,
            height=0.72,
            facecolor=COLOURS[row % len(COLOURS)],
            edgecolor=INK,
            hatch=HATCHES[row % len(HATCHES)],
            alpha=0.75,
        )
        # A label wider than its bar goes beside it, on the side where there is room.
        text, fits = f"{run.liquid} {run.volume_ml:.1f} mL", run.duration_s > 0.3 * makespan_s
        ends_late = run.start_s + run.duration_s > 0.7 * makespan_s
        at_s = run.start_s + run.duration_s / 2 if fits else run.start_s if ends_late else run.start_s + run.duration_s
        axes.annotate(
            text,
            (at_s, row),
            xytext=(0 if fits else -4 if ends_late else 4, 0),
            textcoords="offset points",
            ha="center" if fits else "right" if ends_late else "left",
            va="center",
            fontsize=9,
            color=INK,
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.85},
        )
    axes.set_yticks(range(len(lines)), [f"line {line}" for line in lines])
    axes.set_ylim(len(lines) - 0.5, -0.5)


def _draw_steps(axes: "Axes", steps: Steps, limit: float, label: str, limit_label: str) -> None:
    times, values = [0.0, *(at for at, _ in steps)], [0.0, *(value for _, value in steps)]
    axes.fill_between(times, values, step="post", facecolor=COLOURS[0], edgecolor=INK, alpha=0.6)
    axes.axhline(limit, **LIMIT)
    axes.annotate(
        limit_label,
        (1.0, limit),
        xycoords=("axes fraction", "data"),
        xytext=(-3, 2),
        textcoords="offset points",
        ha="right",
        fontsize=8,
        color=INK,
    )
    axes.set_ylabel(label)
    axes.set_ylim(0, 1.25 * max(limit, *values))


def new_figure(
    path: Path, *, rows: int, height_in: float, ratios: Sequence[float], share_x: bool = True
) -> tuple["Figure", Any]:
    """A figure of rows of axes, for a .svg or .png file. Raises TundishError for others, or without matplotlib."""
    if path.suffix.lower() not in (".svg", ".png"):
        raise TundishError(f"cannot draw {path.name}: name it .svg or .png.")
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise TundishError(
            'pictures need matplotlib, which is not installed. Install it with: pip install "tundish[pictures]"'
        ) from error
    # A figure without pyplot draws without any screen and keeps no global state.
    figure = Figure(figsize=(8.6, height_in), layout="constrained")
    axes = figure.subplots(rows, 1, sharex=share_x, height_ratios=list(ratios))
    for one in axes:
        one.spines[["top", "right"]].set_visible(False)
        one.grid(axis="x", color="#dddddd", linewidth=0.6)
        one.set_axisbelow(True)
    return figure, axes


def save(figure: "Figure", path: Path) -> None:
    """Write the figure; TundishError when it cannot be written."""
    # Hatching and text stay the same from run to run: no date in the file, fixed ids in the SVG.
    try:
        if path.suffix.lower() == ".svg":
            import matplotlib as mpl

            with mpl.rc_context({"svg.hashsalt": "tundish", "svg.fonttype": "none"}):
                figure.savefig(path, metadata={"Date": None})
        else:
            figure.savefig(path, dpi=150)
    except OSError as error:
        raise TundishError(f"cannot write {path}: {error.strerror}.") from error
