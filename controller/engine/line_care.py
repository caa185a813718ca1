"""What a line needs next, worked out from what it holds and has held: never from what somebody meant to do.

So a guided sequence can be interrupted anywhere, also by hand, and taken up again.
"""

from collections.abc import Sequence
from typing import Literal

from controller.model.book import Book, Liquid
from controller.model.fields import Value
from controller.model.messages import LineReport
from controller.model.states import Contents

Kind = Literal["purge", "clean", "rinse", "prime"]

# From this strength on a drink is one with alcohol: Regulation (EU) No 1169/2011, Article 9(1)(k), has the strength
# declared from more than 1.2 % vol.
ALCOHOLIC_PERCENT = 1.2
SAME_S = 1.0  # two times of one event, worked out twice, differ by less


class Fill(Value, frozen=True, kw_only=True):
    """The goal of a change: this liquid in the line. at_least: what has to happen on the way from begun_wall_s on."""

    liquid: str
    begun_wall_s: float
    at_least: Literal["prime", "rinse", "clean"] = "prime"


def to_close(report: LineReport, begun_wall_s: float, *, dry: bool) -> Kind | None:
    """The next thing for a line to be clean at the end of an evening that began to end then; None: it is."""
    match report.contents:
        case Contents.LIQUID | Contents.UNKNOWN:
            return "purge"
        case Contents.CLEANER:
            return "rinse"
    if not _is_cleaned(report, begun_wall_s) and not _is_untouched(report):
        return "clean"
    return "purge" if dry and report.contents is Contents.RINSE_WATER else None


def to_fill(report: LineReport, goal: Fill, book: Book) -> Kind:
    """The next thing for a line to draw another liquid in; the last one is to prime it."""
    needs_clean = _must_clean(report, book.liquid(goal.liquid), book)
    if goal.at_least == "clean" and not _is_cleaned(report, goal.begun_wall_s):
        needs_clean = True
    needs_rinse = bool(set(report.residues) - {goal.liquid})
    match report.contents:
        case Contents.UNKNOWN:
            return "purge"
        case Contents.CLEANER:
            return "rinse"
        case Contents.LIQUID:
            is_right = report.holds == goal.liquid and goal.at_least == "prime"
            return "prime" if is_right and not (needs_clean or needs_rinse) else "purge"
    if needs_clean:
        return "clean"
    if needs_rinse or (goal.at_least == "rinse" and report.contents is Contents.EMPTY):
        return "rinse"
    return "prime"


def _must_clean(report: LineReport, liquid: Liquid, book: Book) -> bool:
    """Another allergen, an unknown past, or alcohol before something without it."""
    if report.doubtful or set(report.traces) - set(liquid.allergens):
        return True
    return liquid.abv_percent <= ALCOHOLIC_PERCENT and any(
        one.abv_percent > ALCOHOLIC_PERCENT for one in book.liquids if one.liquid in report.residues
    )


def _is_cleaned(report: LineReport, since_wall_s: float) -> bool:
    return report.cleaned_wall_s is not None and report.cleaned_wall_s >= since_wall_s - SAME_S


def _is_untouched(report: LineReport) -> bool:
    """Whether nothing was in the line since it was last cleaned, or ever."""
    nothing_in = not (report.residues or report.traces or report.doubtful)
    return nothing_in and report.wetted_wall_s is None and report.contents is not Contents.CLEANER


def within_jug(volumes_ml: Sequence[tuple[int, float]], jug_ml: float) -> tuple[int, ...]:
    """The first lines whose volumes (line, mL) go into one jug together; at least one."""
    taken: list[int] = []
    total_ml = 0.0
    for line, volume_ml in volumes_ml:
        if taken and total_ml + volume_ml > jug_ml:
            break
        taken.append(line)
        total_ml += volume_ml
    return tuple(taken)
