"""`tundish prepare`: what to buy for an event, which liquid on which line, how long people wait."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from controller.cli.examples import event_argument, machine_options
from controller.cli.options import Session, file_option, session_options, table, warnings_of, write_table

if TYPE_CHECKING:
    from controller.catering.preparation import Preparation, Purchase
    from controller.model.calibration import Calibration
    from controller.model.event import GuestEvent

COLUMNS = (
    "liquid", "line", "on average / mL", "needed / mL", "lost at most / mL", "container / mL", "count", "bought / mL",
    "lasts with / %",
)  # fmt: skip


@click.command()
@event_argument
@machine_options
@click.option("--seed", type=int, default=1, show_default=True, help="Of the simulated queue.")
@click.option(
    "--measured", is_flag=True, help="Take the flows of the running machine's calibrations, where it has them."
)
@click.option("--twins", is_flag=True, help="Hang liquids on the spare lines as well, as it advises without this.")
@file_option("--csv", "csv_path", "Also write the shopping list into this file.")
@file_option("--picture", "picture", "Also draw volumes, queue and waiting into this .svg or .png file.")
@session_options
def prepare(
    session: Session,
    *,
    event_path: Path,
    profile_path: Path,
    book_path: Path,
    seed: int,
    measured: bool,
    twins: bool,
    csv_path: Path | None,
    picture: Path | None,
) -> None:
    """Prepare the event in the file EVENT: shopping list, lines, queue and waiting, changes of containers, limits."""
    from controller.catering.preparation import prepare as prepared
    from controller.config import load_event

    event, profile, book, warnings = load_event(event_path, profile_path, book_path)
    known = _measured(session) if measured else {}
    found = prepared(event, profile, book, seed=seed, calibrations=known, twins=twins)
    if csv_path is not None:
        _write_csv(found, csv_path)
    if picture is not None:
        from controller.cli.pictures.preparation import draw_preparation

        draw_preparation(found, event, picture)

    def draw(found: "Preparation") -> str:
        parts = [draw_preparation_text(found, event)]
        parts += [f"shopping list: {csv_path}"] if csv_path is not None else []
        parts += [f"picture: {picture}"] if picture is not None else []
        return "\n".join(parts + warnings_of(warnings, event_path))

    session.show(found, draw)


def _measured(session: Session) -> "Mapping[int, Calibration]":
    """Line -> calibration in force on the running machine."""
    from controller.model.views import Status

    lines = session.engine.get("status", Status).lines
    return {one.line: one.calibration for one in lines if one.calibration is not None}


def _write_csv(found: "Preparation", path: Path) -> None:
    rows: list[tuple[object, ...]] = []
    for one in found.purchases:
        figures = [round(volume_ml) for volume_ml in (one.expected_ml, one.needed_ml, one.lost_ml)]
        for size in one.containers:
            bought = (f"{size.container_ml:g}", size.count, round(size.count * size.container_ml))
            rows.append((one.liquid, one.line, *figures, *bought, f"{100 * one.lasts:.1f}"))
    rows += [(sundry.what, "", "", "", "", "", sundry.needed, "", "") for sundry in found.sundries]
    rinse = (("cleaner", found.cleaning.cleaner_ml), ("rinse water", found.cleaning.rinse_water_ml))
    rows += [(name, "", "", round(volume_ml), "", "", "", "", "") for name, volume_ml in rinse]
    write_table(path, COLUMNS, rows)


def draw_preparation_text(found: "Preparation", event: "GuestEvent") -> str:
    """The whole preparation for a terminal."""
    return "\n".join(
        [
            click.style(f"{found.event}: {event.guests} guests, {event.starts} to {event.ends}", bold=True),
            f"{found.drinks:.0f} drinks to expect, {found.per_hour:.0f} an hour, {found.busiest_per_hour:.0f} in the "
            "busiest hour",
            *_left_out(found),
            "",
            *_shopping(found),
            "",
            *_sundries(found),
            "",
            *_lines(found),
            "",
            *draw_parts(found),
            "",
            *_waiting(found),
            "",
            *_changes(found, event),
            "",
            *_checks(found),
        ]
    )


def _heading(text: str) -> str:
    return click.style(text, bold=True)


def _left_out(found: "Preparation") -> list[str]:
    if not found.left_out:
        return []
    why = "no other way to hang the liquids opens more of the menu" if found.proven else "the best way found"
    return [
        f"cannot be poured with these lines: {', '.join(found.left_out)}; {100 * found.menu_share:.0f} % of the drinks "
        f"asked for can be ({why}); these guests are taken to choose another"
    ]


def _shopping(found: "Preparation") -> list[str]:
    rows = [
        (
            one.liquid,
            f"{one.expected_ml / 1000:.2f} L",
            f"{one.needed_ml / 1000:.2f} L",
            f"{one.lost_ml / 1000:.2f} L",
            _containers(one),
            f"{one.bought_ml / 1000:.2f} L",
            f"{100 * one.lasts:.1f} %",
        )
        for one in found.purchases
    ]
    level = f"{100 * found.service_level:g} %"
    return [
        _heading(f"Buy, so that each liquid lasts with {level}"),
        table(("liquid", "on average", f"at {level}", "lost at most", "containers", "bought", "lasts"), rows),
        f"All last together in {100 * found.outlook.lasts:.1f} of 100 events (standard error "
        f"{100 * found.outlook.lasts_error:.1f}; {found.outlook.events} simulated, seed {found.outlook.seed}).",
        f"For cleaning at the end: {found.cleaning.cleaner_ml:.0f} mL of cleaner and "
        f"{found.cleaning.rinse_water_ml:.0f} mL of rinse water through the lines; "
        f"{found.cleaning.takes_s / 60:.0f} min.",
    ]


def _sundries(found: "Preparation") -> list[str]:
    """Glasses, ice and garnish, in a table of their own."""
    rows = []
    for one in found.sundries:
        volume = f"{one.needed * one.takes_ml / 1000:.1f} L" if one.takes_ml > 0 else ""
        what = f"glass: {one.what}" if one.kind == "glass" else one.what
        rows.append((what, f"{one.expected:.0f}", f"{one.needed}", volume))
    level = f"{100 * found.service_level:g} %"
    return [
        _heading("Have at hand (glasses: when none is washed meanwhile)"),
        table(("what", "on average", f"at {level}", "in all"), rows),
    ]


def _containers(one: "Purchase") -> str:
    return " + ".join(f"{size.count} x {size.container_ml / 1000:g} L" for size in one.containers)


def _lines(found: "Preparation") -> list[str]:
    rows = [(str(one.line), one.liquid, one.verdict, f"{100 * one.highest_duty:.0f} %") for one in found.lines]
    flows = "measured flows" if found.calibrated else "the data sheets' flows"
    moved = [one for one in found.lines if one.book_line != one.line]
    return [
        _heading(f"Lines, by {flows}"),
        table(("line", "liquid", "suction", "runs in the busiest hour"), rows),
        *(
            f"{one.liquid} is on {'no line' if one.book_line is None else f'line {one.book_line}'} in the book: hang "
            f'it with tundish stock change {one.line} "{one.liquid}"'
            for one in moved
        ),
        *(one.note for one in found.lines if one.note),
    ]


def draw_parts(found: "Preparation") -> list[str]:
    """What hangs best on spare lines, how many guests the machine serves, and what each part would change."""
    from controller.catering.parts import MOST_WAIT_S

    rows = [
        (
            one.part,
            f"{one.pumps_s:.1f} s",
            "more and more" if one.wait_s is None else f"{one.wait_s:.0f} s",
            f"{one.guests}",
        )
        for one in found.parts
    ]
    hung = [
        f"Line {one.line} is to spare: hang {one.liquid} there as a twin "
        f'(tundish stock change {one.line} "{one.liquid}"): '
        f"a drink then takes {one.then_s:.1f} s of pumps' time instead of {one.before_s:.1f} s on average."
        for one in found.spare_lines
    ]
    return [
        _heading("How many guests it serves, and the next part to buy"),
        table(("machine", "pumps, a drink", "mean wait, busiest hour", f"guests with {MOST_WAIT_S:.0f} s"), rows),
        *hung,
    ]


def _waiting(found: "Preparation") -> list[str]:
    from controller.quantities import format_time

    outlook = found.outlook
    rows = [
        (f"{one.per_hour:.0f}", f"{100 * one.load:.0f} %", f"{one.wait_s:.0f} s", f"{one.queue:.1f}")
        for one in found.rates
    ]
    held = f"; {100 * outlook.held:.0f} % wait for the caps on an hour" if outlook.held >= 0.005 else ""
    return [
        _heading("Waiting"),
        f"To expect at this event: {format_time(outlook.mean_wait_s)} on average (standard error "
        f"{format_time(outlook.mean_wait_error_s)}), 95 of 100 guests at most {format_time(outlook.high_wait_s)}"
        f"{held}.",
        f"The longest queue is {outlook.longest_queue:.1f} people on average; the last drink is out "
        f"{format_time(outlook.late_s)} after closing.",
        f"The machine and its people can serve {found.most_per_hour:.0f} drinks an hour.",
        "In the long run, when drinks are asked for at random at an even rate:",
        table(("drinks an hour", "machine taken", "mean wait", "waiting"), rows),
    ]


def _changes(found: "Preparation", event: "GuestEvent") -> list[str]:
    rows = [
        (
            event.clock(one.median_s),
            f"{event.clock(one.early_s)} to {event.clock(one.late_s)}",
            str(one.line),
            one.liquid,
            str(one.number),
            f"{100 * one.share:.0f} %",
        )
        for one in found.outlook.changes
    ]
    if not rows:
        return [_heading("Containers: the first ones last.")]
    header = ("at about", "in 80 of 100 cases", "line", "liquid", "change", "comes in")
    return [_heading("Changes of containers"), table(header, rows)]


def _checks(found: "Preparation") -> list[str]:
    rows = [
        (
            one.what,
            f"{one.value:.3g} {one.unit}",
            f"{one.limit:.3g} {one.unit}",
            "kept" if one.is_kept else click.style("NOT KEPT", fg="red"),
            one.note,
        )
        for one in found.checks
    ]
    return [_heading("Limits"), table(("what", "comes to", "limit", "is", "which"), rows)]
