"""`tundish backup` and `tundish restore`: files, ledger, calibrations and journal of a machine in one archive."""

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from controller.cli.backup.files import (
    COPIES,
    check,
    collect,
    free_name,
    guard_folder,
    has_records,
    pack_all,
    put_in_place,
    take_files,
    take_ledger,
)
from controller.cli.client import EngineClient
from controller.cli.options import Session, folder, moment, session_options, state_dir_option
from controller.cli.places import SERVICE_STATE_DIR, run_dir_to_use
from controller.cli.run.listeners import running_in
from controller.clock import RealClock
from controller.errors import RecordError, Refused, TundishError, Unreachable
from controller.guard.restoring import remembered, write_restored
from controller.guard.service import boot_id
from controller.ledger.archive import unpack
from controller.ledger.journal_reading import HEAD
from controller.model.fields import Value, like
from controller.model.states import AT_REST
from controller.model.views import Status
from controller.safety.records import Memory

CONFIG = Path("/etc/tundish")

config_dir_option = click.option(
    "--config-dir", type=folder, default=CONFIG, show_default=True, help="Folder of profile.yaml and book.yaml."
)


class Backup(Value, frozen=True, kw_only=True):
    """What `tundish backup` prints with --json. problems: what this program could not take over as it is."""

    archive: str
    machine: str
    files: int
    problems: tuple[str, ...]


class Restored(Value, frozen=True, kw_only=True):
    """What `tundish restore` prints with --json. kept: the archive of what was there before, if anything was.

    problems: what of the journal that was there could not be read.
    """

    is_applied: bool
    machine: str
    made_wall_s: float
    program: str
    kept: str | None
    problems: tuple[str, ...]


@click.command()
@click.argument("archive", type=click.Path(path_type=Path, dir_okay=False))
@config_dir_option
@state_dir_option
@session_options
def backup(session: Session, *, archive: Path, config_dir: Path, state_dir: Path | None) -> int:
    """Write profile, book, ledger, calibrations and journal into one ARCHIVE that only its owner can read.

    The services may run, but no operation. The copy is checked with this program; ends with 1 when it could not take
    over all of it.
    """
    refuse_operation(session.run_dir)
    state = state_dir or SERVICE_STATE_DIR
    with TemporaryDirectory(prefix="tundish-backup-") as name, _file_errors():
        copy = Path(name)
        collect(config_dir, state, copy)
        if not has_records(copy):
            raise TundishError(f"there are no records of a machine in {state}. Name their folder with --state-dir.")
        listed = pack_all(copy, archive)
        problems = check(copy)
    view = Backup(archive=str(archive), machine=listed.machine, files=len(listed.sha256), problems=problems)
    said = f"{archive}: {view.files} files of {view.machine}, readable by their owner only."
    session.show(view, "\n".join([said, *_problems(problems)]))
    return 1 if problems else 0


@click.command()
@click.argument("archive", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--apply", "is_applied", is_flag=True, help="Do it; without, only check the archive.")
@config_dir_option
@state_dir_option
@session_options
def restore(session: Session, *, archive: Path, is_applied: bool, config_dir: Path, state_dir: Path | None) -> None:
    """Put back what `tundish backup` or `tundish upgrade` has kept. Guard and engine must be stopped.

    A backup knows nothing of the time since it was made: afterwards every line is unknown, the rolling hour counts as
    used up, and tubes keep the traces of both. What was there before is kept as a backup too.
    """
    state = state_dir or SERVICE_STATE_DIR
    with _file_errors():
        _refuse_running(session.run_dir, state)
        if is_applied:
            state.mkdir(parents=True, exist_ok=True)
        # In the folder of the records, so that they can be put in place by renaming.
        with TemporaryDirectory(dir=state if is_applied else None, prefix=".restore-") as name:
            view = _restore(archive, config_dir, state, Path(name), is_applied=is_applied)
    session.show(view, _draw)


def _restore(archive: Path, config_dir: Path, state: Path, folder: Path, *, is_applied: bool) -> Restored:
    """Make all of it ready in `folder`; only then replace anything."""
    new, old = folder / "new", folder / "old"
    listed = unpack(archive, new)
    profile, book = take_files(new)
    take_ledger(new)
    if not has_records(new):
        raise RecordError(f"{archive} holds no journal. Nothing was changed.")
    collect(config_dir, state, old)
    _refuse_other_layout(old, new, state)
    kept = None
    if is_applied and any(path.is_file() for path in old.rglob("*")):
        kept = free_name(state / COPIES, "before-restore")
        pack_all(old, kept)
    present, problems = _present(old)
    write_restored(
        guard_folder(new),
        present,
        profile,
        book,
        text=f"everything comes from the backup made at {moment(listed.made_wall_s)}",
        boot=boot_id(),
        clock=RealClock(),
    )
    if is_applied:
        put_in_place(new, state, config_dir, folder / "replaced")
    kept_as = None if kept is None else str(kept)
    return like(Restored, profile, listed, is_applied=is_applied, kept=kept_as, problems=problems)


def _refuse_other_layout(old: Path, new: Path, state: Path) -> None:
    if has_records(old) and guard_folder(old).name != guard_folder(new).name:
        raise Refused(
            rule="restore_layout",
            reason=f"guard and engine keep their records in folders of their own, either in {state} or in the backup.",
            remedy="A backup of the services goes back to the services, one of tundish up to --state-dir of that.",
        )


def _present(old: Path) -> tuple[Memory, tuple[str, ...]]:
    """What the guard remembers now, and what of its journal cannot be read."""
    if not has_records(old):
        return Memory(), ()
    try:
        memory, damage = remembered(guard_folder(old))
    except RecordError as error:
        return Memory(), (str(error),)
    return memory, (damage,) if damage else ()


def _draw(view: Restored) -> str:
    found = f"the backup of {view.machine}, made {moment(view.made_wall_s)}"
    if not view.is_applied:
        said = [f"Complete: {found} by Tundish {view.program}. Nothing was changed. Do it with --apply."]
    else:
        said = [
            f"Restored: {found} by Tundish {view.program}.",
            "Every line is unknown now, and the rolling hour counts as used up.",
            "Next: sudo systemctl start tundish-guard tundish-engine, then tundish acknowledge.",
        ]
    kept = [] if view.kept is None else [f"What was there before is kept in {view.kept}."]
    return "\n".join([*said, *kept, *_problems(view.problems)])


def _problems(problems: tuple[str, ...]) -> list[str]:
    return [click.style(f"problem: {one}", fg="red") for one in problems]


def refuse_operation(run_dir: Path | None) -> None:
    """Refused while anything moves or may move on; without an engine nothing moves."""
    try:
        state = EngineClient(run_dir).get("status", Status).state
    except Unreachable:
        return
    if state is not None and state not in AT_REST:  # None: the guard is not there, and without it nothing moves
        raise Refused(
            rule="operation_running",
            reason=f"the machine is in state {state}: an operation is under way.",
            remedy="Wait for its end, or stop it with tundish stop.",
        )


def _refuse_running(run_dir: Path | None, state: Path) -> None:
    running = [one.name for one in running_in(run_dir_to_use(run_dir)) if one.name != "bench"]
    head = (state / "guard" if (state / "guard").is_dir() else state) / HEAD
    if not running and head.exists() and _is_locked(head):
        running = ["guard"]
    if running:
        raise Refused(
            rule="restore_running",
            reason=f"{' and '.join(running)} must not run while their records are replaced.",
            remedy="Stop them first: sudo systemctl stop tundish-engine tundish-guard, or tundish down.",
        )


def _is_locked(path: Path) -> bool:
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
    return False


@contextmanager
def _file_errors() -> Iterator[None]:
    try:
        yield
    except PermissionError as error:
        raise TundishError(f"{error.filename} may not be read or written. Run it again with sudo.") from error
    except FileExistsError as error:
        raise TundishError(f"{error.filename2 or error.filename} is there already and is not overwritten.") from error
    except OSError as error:
        raise TundishError(f"{error.filename or ''}: {error.strerror or error}") from error
