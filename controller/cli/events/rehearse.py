"""`tundish rehearse`: an event on the simulated machine, in virtual time, with a report of it."""

import sys
from collections import Counter
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING

import click

from controller.cli.examples import event_argument, machine_options
from controller.cli.options import Session, file_option, json_option, table, warnings_of, writing
from controller.errors import BadQuantity

if TYPE_CHECKING:
    from controller.model.event import GuestEvent
    from controller.model.profile import Profile
    from controller.rehearsal.evening_faults import PlannedFault
    from controller.rehearsal.evening_record import Evening


@click.command()
@event_argument
@machine_options
@click.option("--seed", type=int, default=1, show_default=True, help="Which machine, and which guests.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="FAULT",
    help='Bring this about: "pump stalled, line 3, 20:15". May be given again. Kinds: see tundish bench inject --help.',
)
@click.option("--twins", is_flag=True, help="Hang liquids on the spare lines as well, as tundish prepare advises.")
@file_option("--report", "report", "Write a page with pictures into this .html file.")
@json_option
def rehearse(
    *,
    event_path: Path,
    profile_path: Path,
    book_path: Path,
    seed: int,
    faults: tuple[str, ...],
    twins: bool,
    report: Path | None,
    session: Session,
) -> None:
    """Rehearse the event in the file EVENT on the simulated machine, from calibration to the last rinse."""
    import structlog

    from controller.cli.pages.rehearsal_report import page
    from controller.cli.pictures.figure import require_matplotlib
    from controller.config import load_event
    from controller.rehearsal.evening import rehearse as rehearsed

    if report is not None and not report.resolve().parent.is_dir():
        raise click.BadParameter(f"there is no folder {report.parent}.", param_hint="--report")
    if report is not None:
        require_matplotlib()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    event, profile, book, warnings = load_event(event_path, profile_path, book_path)
    planned = _read_faults(faults, event, profile)
    try:
        found = rehearsed(event, profile, book, seed=seed, faults=planned, twins=twins, report=_show_progress)
    finally:
        _show_progress("")
    if report is not None:
        with writing(report) as file:
            file.write(page(found))

    def draw(found: "Evening") -> str:
        parts = [draw_evening(found)] + ([f"report: {report}"] if report is not None else [])
        return "\n".join(parts + warnings_of(warnings, event_path))

    session.show(found, draw)


def _read_faults(texts: tuple[str, ...], event: "GuestEvent", profile: "Profile") -> list["PlannedFault"]:
    from controller.rehearsal.evening_faults import read_fault

    try:
        return [read_fault(text, event, profile) for text in texts]
    except BadQuantity as error:
        raise click.BadParameter(str(error), param_hint="--fault") from error


def _show_progress(text: str) -> None:
    """One line on a terminal, in place of the one before."""
    if sys.stderr.isatty():
        click.echo(f"\r\033[K{text}", err=True, nl=False)


def draw_evening(found: "Evening") -> str:
    """The outcome for a terminal."""
    from controller.cli.events.prepare import draw_parts
    from controller.cli.pages.rehearsal_report import duration

    waits_s, off_s = found.waits_s, found.off_s
    errors = [dose.error_ml for dose in found.doses] or [0.0]
    inside = sum(dose.is_inside for dose in found.doses)
    lines = [
        click.style(
            f"{found.prepared.event}, rehearsed on a simulated {found.prepared.machine} (seed {found.seed})", bold=True
        ),
        f"{len(found.served)} of {found.orders} drinks served; the last glass was taken at "
        f"{found.clock(found.last_s)}, cleaning took {duration(found.cleaning_s)} more",
        f"wait: {duration(fmean(waits_s))} on average, {duration(max(waits_s))} at most; "
        f"the longest queue was {max(length for _, length in found.queue)}; what the queue said beforehand was off by "
        f"{duration(fmean(off_s))} on average, {duration(max(off_s))} at most",
        f"doses: {inside} of {len(found.doses)} within tolerance (MI-008), off by {fmean(errors):+.2f} mL on average, "
        f"by {max(map(abs, errors)):.2f} mL at most",
        "",
        _draw_lines(found),
        "",
        *draw_parts(found.prepared),
    ]
    if found.changes:
        when = ", ".join(f"{found.clock(one.at_s)} line {one.line}" for one in found.changes)
        lines += ["", f"containers changed: {when}"]
    if found.refusals:
        counts = Counter(one.rule for one in found.refusals)
        lines += ["", "refused by " + ", ".join(f"{rule} ({count})" for rule, count in counts.items())]
    lines += [f"not served: {one.recipe} asked for at {found.clock(one.came_s)}: {one.reason}" for one in found.lost]
    for one in found.troubles:
        end = "" if one.repaired_s is None else f", repaired at {found.clock(one.repaired_s)}"
        lines.append(f"fault since {found.clock(one.at_s)}: {one.what}; {one.how}{end}")
    return "\n".join(lines)


def _draw_lines(found: "Evening") -> str:
    rows = [
        (
            ", ".join(map(str, (one.line, *one.twins))),
            one.liquid,
            f"{one.used} of {len(one.bought)}",
            f"{one.glasses_ml:.0f} mL",
            f"{one.glasses_ml - one.asked_ml:+.0f} mL",
            f"{one.other_ml + one.empties_ml:.0f} mL",
            f"{one.left_ml:.0f} mL",
        )
        for one in found.lines
    ]
    header = ("line", "liquid", "containers opened", "in glasses", "more than asked", "lost", "left over")
    return table(header, rows)
