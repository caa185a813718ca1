"""The picture of a plan: lines over time, and below them current and combined flow with their limits."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from controller.cli.pictures.figure import COLOURS, INK, LIMIT, ON_X, ON_Y, bars, name_rows, new_figure, note, save
from controller.model.plan import PlannedRun
from controller.model.views import PlanView

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Steps = Sequence[tuple[float, float]]
LABEL = {"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.85}


def draw_plan(plan: PlanView, path: Path) -> None:
    """Draw it into a .svg or .png file. Raises TundishError."""
    runs, hand_steps = _on_one_axis(plan)
    lines = sorted({run.line for run in runs})
    title = plan.recipe + (f" x {plan.times:g}" if plan.times != 1 else "")
    figure, (above, current, flow) = new_figure(
        f"{title}: {plan.makespan_s:.1f} s (one at a time {plan.one_at_a_time_s:.1f} s)\n"
        f"what limits it: {plan.binding}",
        (0.6 + 0.5 * len(lines), 1.2, 1.2),
        share_x=True,
    )
    for run in runs:
        _draw_run(above, run, lines.index(run.line), plan.makespan_s)
    name_rows(above, [f"line {line}" for line in lines])
    _draw_steps(current, plan.current_a, plan.current_limit_a, "current / A", f"limit {plan.current_limit_a:g} A")
    _draw_steps(flow, plan.flow_ml_s, plan.flow_limit_ml_s, "flow / mL/s", f"limit {plan.flow_limit_ml_s:g} mL/s")
    for at_s, text in hand_steps:
        for axes in (above, current, flow):
            axes.axvline(at_s, color=INK, linestyle=":", linewidth=1)
        side = "left" if at_s < 0.7 * plan.makespan_s else "right"
        note(above, f"by hand: {text}", (at_s, 1.0), (3, 3), xycoords=ON_X, ha=side)
    flow.set_xlabel("pumps' time / s")
    flow.set_xlim(-0.01 * plan.makespan_s, 1.01 * plan.makespan_s)
    save(figure, path)


def _on_one_axis(plan: PlanView) -> tuple[list[PlannedRun], list[tuple[float, str]]]:
    """All segments end to end: their runs with start times from the first start, and (s, hand step) between them."""
    runs: list[PlannedRun] = []
    hand_steps: list[tuple[float, str]] = []
    offset_s = 0.0
    for segment in plan.segments:
        if segment.hand is not None:
            hand_steps.append((offset_s, segment.hand))
        runs.extend(msgspec.structs.replace(run, start_s=offset_s + run.start_s) for run in segment.runs)
        offset_s = max((run.start_s + run.duration_s for run in runs), default=0.0)
    return runs, hand_steps


def _draw_run(axes: "Axes", run: PlannedRun, row: int, makespan_s: float) -> None:
    """A bar with its label inside; a label that is wider goes beside it, on the side where there is room."""
    bars(axes, [run.duration_s], row % len(COLOURS), first_row=row, left=run.start_s)
    end_s = run.start_s + run.duration_s
    if run.duration_s > 0.3 * makespan_s:
        at_s, shift, side = run.start_s + run.duration_s / 2, 0, "center"
    elif end_s > 0.7 * makespan_s:
        at_s, shift, side = run.start_s, -4, "right"
    else:
        at_s, shift, side = end_s, 4, "left"
    text = f"{run.liquid} {run.volume_ml:.1f} mL"
    note(axes, text, (at_s, row), (shift, 0), ha=side, va="center", fontsize=9, bbox=LABEL)


def _draw_steps(axes: "Axes", steps: Steps, limit: float, label: str, limit_label: str) -> None:
    times, values = [0.0, *(at for at, _ in steps)], [0.0, *(value for _, value in steps)]
    axes.fill_between(times, values, step="post", facecolor=COLOURS[0], edgecolor=INK, alpha=0.6)
    axes.axhline(limit, **LIMIT)
    note(axes, limit_label, (1.0, limit), (-3, 2), xycoords=ON_Y, ha="right")
    axes.set_ylabel(label)
    axes.set_ylim(0, 1.25 * max(limit, *values))
