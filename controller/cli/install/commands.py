"""`tundish install` and `tundish uninstall`: print every step, and carry them out with --apply."""

import os
from datetime import datetime
from pathlib import Path

import click

from controller.cli.backup.commands import refuse_operation
from controller.cli.examples import ExampleOrFile, book_type, profile_type, shared_folder
from controller.cli.install import facts, plan
from controller.cli.install.steps import KeepFile, Step, below, carry_out
from controller.cli.options import Session, json_option
from controller.config import load
from controller.errors import Problem, Refused
from controller.model.fields import Value
from controller.model.profile import Profile

apply_option = click.option("--apply", "is_applied", is_flag=True, help="Do it; without, only say what would be done.")
root_option = click.option(
    "--root",
    type=click.Path(path_type=Path, file_okay=False, exists=True, resolve_path=True),
    default=Path("/"),
    help="Install into this folder, which holds the system of another machine; nothing is started.",
)


class StepReport(Value, frozen=True, kw_only=True):
    """A step in words."""

    what: str
    why: str
    is_done: bool  # the machine was so before


class InstallReport(Value, frozen=True, kw_only=True):
    """What the command prints with --json."""

    is_applied: bool
    warnings: tuple[str, ...]
    steps: tuple[StepReport, ...]


@click.command()
@click.option("--profile", type=profile_type, help="The machine: a file or an example. Needed the first time.")
@click.option("--book", type=book_type, help="Liquids, glasses, recipes: a file or an example. Needed the first time.")
@click.option("--simulated", is_flag=True, help="Accept a profile whose pins are the bench's.")
@apply_option
@root_option
@json_option
def install(
    session: Session, *, profile: Path | None, book: Path | None, simulated: bool, is_applied: bool, root: Path
) -> None:
    """Install guard and engine as services that start at boot.

    Prints every step; nothing is changed without --apply. Profile and book that are there are never overwritten. Run it
    again after an upgrade of the program.
    """
    machine = facts.look_at(root, plan.paths())
    profile_there, book_there = below(root, plan.PROFILE), below(root, plan.BOOK)
    chosen_profile = _chosen(profile, profile_there, profile_type)
    chosen_book = _chosen(book, book_there, book_type)
    value, _, warnings = load(
        profile_there if profile_there.exists() else chosen_profile, book_there if book_there.exists() else chosen_book
    )
    _refuse_bench(value, simulated=simulated)
    steps = plan.plan_install(
        machine=machine,
        shipped=facts.read_shipped(shared_folder()),
        program=facts.program(),
        profile=chosen_profile.read_text(encoding="utf-8"),
        book=chosen_book.read_text(encoding="utf-8"),
        root=root,
        scale=value.scale,
    )
    _finish(session, steps, root, warnings, is_applied=is_applied)


@click.command()
@apply_option
@json_option
def upgrade(*, is_applied: bool, session: Session) -> None:
    """Take over everything of the version before, after pip has brought this one.

    Files are checked first; then the services are stopped, all that the machine knows is kept as a backup and held
    against this version, and the services of this version are installed and started. Where any of it fails nothing of
    the machine was changed; `tundish restore` of the backup puts back what was there, in the version before too.
    """
    machine = facts.look_at(Path("/"), plan.paths())
    if plan.PROFILE not in machine.texts or plan.BOOK not in machine.texts:
        raise Refused(
            rule="upgrade_nothing",
            reason=f"there is no {plan.PROFILE} with its book: nothing is installed here.",
            remedy="Use tundish install.",
        )
    profile, _, warnings = load(plan.PROFILE, plan.BOOK)
    refuse_operation(None)
    steps = plan.plan_upgrade(
        machine=machine,
        shipped=facts.read_shipped(shared_folder()),
        program=facts.program(),
        has_records=(plan.STATE / "guard").is_dir(),
        stamp=f"{datetime.now():%Y%m%d-%H%M%S}",
        scale=profile.scale,
    )
    _finish(session, steps, Path("/"), warnings, is_applied=is_applied)


@click.command()
@click.option("--purge", is_flag=True, help="Also remove profile, book, calibrations, stock, history, and the users.")
@apply_option
@root_option
@json_option
def uninstall(*, purge: bool, is_applied: bool, root: Path, session: Session) -> None:
    """Remove the services; profile, book and records stay unless --purge.

    Prints every step; nothing is changed without --apply. The program itself stays where pip put it.
    """
    machine = facts.look_at(root, plan.paths())
    steps = plan.plan_uninstall(machine=machine, root=root, purge=purge)
    _finish(session, steps, root, [], is_applied=is_applied)


def take_steps(session: Session, steps: tuple[Step, ...], root: Path, *, is_applied: bool) -> None:
    """Print each step as two lines, what and why; do it when that was asked for."""
    for number, step in enumerate(steps, start=1):
        is_so = step.is_done and not isinstance(step.act, KeepFile)
        session.say(f"{number:>3}. {step.act}\n     {'already so: ' if is_so else ''}{step.why}")
        if is_applied:
            carry_out(step, root)


def _chosen(chosen: Path | None, there: Path, kind: ExampleOrFile) -> Path:
    """The file that a person chose; without a choice the one in place."""
    if chosen is not None:
        return chosen
    if there.exists():
        return there
    raise Refused(
        rule="install_files",
        reason=f"there is no {there} yet, and none was chosen.",
        remedy=f"Choose one with --{kind.name}: a file, or one of {', '.join(kind.examples())}.",
    )


def _refuse_bench(profile: Profile, *, simulated: bool) -> None:
    if profile.board.backend == "bench" and not simulated:
        raise Refused(
            rule="install_bench",
            reason=f'the profile of "{profile.machine}" has the bench as its board: no pump would ever turn.',
            remedy='Write "backend: gpio" under board, choose another profile, or give --simulated.',
        )


def _finish(
    session: Session, steps: tuple[Step, ...], root: Path, warnings: list[Problem], *, is_applied: bool
) -> None:
    """Print the steps, or do them one by one; root's rights are asked for only then."""
    if is_applied and os.geteuid() != 0:
        raise Refused(rule="install_root", reason="only root may write below /etc.", remedy="Run it again with sudo.")
    for warning in [] if session.as_json else warnings:
        click.secho(f"warning: {warning}", err=True, fg="yellow")
    take_steps(session, steps, root, is_applied=is_applied)
    views = tuple(StepReport(what=str(step.act), why=step.why, is_done=step.is_done) for step in steps)
    outcome = InstallReport(is_applied=is_applied, warnings=tuple(map(str, warnings)), steps=views)
    last = "All done." if is_applied else "Nothing was changed. Do it with --apply."
    session.show(outcome, last)
