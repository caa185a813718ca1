"""`tundish plan`: the runs of a drink, what limits them, and a picture of it."""

from pathlib import Path
from typing import Any

import click

from controller.cli.completion import RECIPE
from controller.cli.options import Session, file_option, session_options, table
from controller.cli.pour.drink_options import asked_for, drink_options
from controller.model.views import PlanView

COLUMNS = 48  # of a run's bar on the time axis


@click.command()
@click.argument("recipe", type=RECIPE, required=False)
@drink_options
@file_option("--picture", "picture", "Also draw the plan into this .svg or .png file.")
@session_options
def plan(session: Session, *, recipe: str | None, picture: Path | None, **words: Any) -> None:
    """Show the plan of RECIPE: runs, times, and the limit that keeps it from being shorter."""
    found = session.engine.post("plans", PlanView, asked_for(recipe, words))
    session.show(found, draw_plan)
    if picture is not None:
        from controller.cli.pictures.plan import draw_plan as picture_of

        picture_of(found, picture)
        session.say(f"picture: {picture}")


def draw_plan(found: PlanView) -> str:
    """The runs as a table with bars along the time axis, then the totals."""
    title = f"{found.recipe}" + (f" x {found.times:.3g}" if found.times != 1 else "") + f", into a {found.glass}"
    strength = f", {found.abv_percent:.1f} % vol, {found.ethanol_g:.1f} g of ethanol" if found.ethanol_g > 0 else ""
    parts = [click.style(f"{title}: {found.volume_ml:.0f} mL{strength}", bold=True), *found.changes]
    offset_s = 0.0
    rows = []
    for segment in found.segments:
        if segment.hand is not None:
            rows.append(("", f"by hand: {segment.hand}", "", "", "", ""))
        for run in sorted(segment.runs, key=lambda one: (one.start_s, one.line)):
            start_s, end_s = offset_s + run.start_s, offset_s + run.start_s + run.duration_s
            rows.append(
                (
                    str(run.line),
                    run.liquid,
                    f"{run.volume_ml:.1f} mL",
                    f"{start_s:.2f} s",
                    f"{run.duration_s:.2f} s",
                    _bar(start_s, end_s, found.makespan_s),
                )
            )
        offset_s += max((run.start_s + run.duration_s for run in segment.runs), default=0.0)
    parts.append(table(("line", "liquid", "dose", "starts", "runs", "when"), rows))
    parts.extend(_totals(found))
    return "\n".join(parts)


def _bar(start_s: float, end_s: float, makespan_s: float) -> str:
    first = round(start_s / makespan_s * COLUMNS)
    last = max(first + 1, round(end_s / makespan_s * COLUMNS))
    return "." * first + "#" * (last - first) + "." * (COLUMNS - last)


def _totals(found: PlanView) -> list[str]:
    saved_s = found.one_at_a_time_s - found.makespan_s
    shortest = "no shorter plan exists" if found.proven else f"no plan can be shorter than {found.lower_bound_s:.2f} s"
    current_a = max((value for _, value in found.current_a), default=0.0)
    slow = "serving_time" if found.too_slow else None  # said above, with what would help
    flow_ml_s = max((value for _, value in found.flow_ml_s), default=0.0)
    within = ", ".join(f"line {line} within {one:.1f} mL" for line, one in found.within_ml.items())
    return [
        *([f"\nby weight, in 95 of 100: {within}"] if within else []),
        f"\npumps' time {found.makespan_s:.2f} s; one at a time {found.one_at_a_time_s:.2f} s: {saved_s:.2f} s saved",
        *([f"of that {found.last_alone_s:.2f} s since the last line pours alone"] if found.last_alone_s else []),
        f"{shortest}; what limits it: {found.binding}",
        f"current at most {current_a:.2f} of {found.current_limit_a:.2f} A, "
        f"flow at most {flow_ml_s:.2f} of {found.flow_limit_ml_s:.2f} mL/s",
        *([f"It would be refused: {found.too_slow}"] if found.too_slow else []),
        *(f"It would be refused by {one.rule}: {one.reason} {one.remedy}" for one in found.refused if one.rule != slow),
    ]
