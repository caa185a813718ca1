"""`tundish up`: bench (if simulated), guard, engine and scale (if there is one) together, for the desk."""

import http.client
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from controller.cli.client import EngineClient
from controller.cli.examples import machine_options
from controller.cli.options import condition_option, more_in_check, run_dir_option, state_dir_option
from controller.cli.places import BENCH, GUARD, SCALE, UP, own_state_dir, run_dir_to_fill, state_dir_to_use
from controller.cli.run.children import ProcessPlan, run_together, say
from controller.cli.run.listeners import listener_of, listening, running_in
from controller.errors import TundishError
from controller.model.views import MenuEntry, Status

if TYPE_CHECKING:
    from controller.model.book import Book
    from controller.model.profile import Profile

MEMORY = "bench.json"  # of a simulated machine: what its tubes and bottles hold


@click.command()
@machine_options
@click.option("--seed", type=int, default=1, show_default=True, help="Which simulated machine (bench only).")
@condition_option
@click.option("--glass", default=None, help="Put this glass of the book under the outlet at once (bench only).")
@click.option("--lan", metavar="ADDRESS:PORT", help="Listen on the local network too; links: tundish network renew.")
@click.option("--lan-name", "lan_names", multiple=True, help="A name by which phones reach this computer.")
@run_dir_option
@state_dir_option
def up(
    *,
    profile_path: Path,
    book_path: Path,
    seed: int,
    condition: str,
    glass: str | None,
    lan: str | None,
    lan_names: tuple[str, ...],
    run_dir: Path | None,
    state_dir: Path | None,
) -> None:
    """Start bench (for a simulated machine), guard, engine and scale (if there is one), and stop them together.

    Ctrl-C stops all; so does the end of any but the scale, or of the terminal. Started again, it goes on where it was:
    a simulated machine keeps tubes and bottles beside its records, in a folder for each profile, seed and condition.
    """
    from controller.config import load

    profile, book, warnings = load(profile_path, book_path)
    _require_glass(book, glass)
    for line in more_in_check(warnings):
        click.echo(line, err=True)
    folder = _free_folder(run_dir)
    is_simulated = profile.board.backend == "bench"
    if is_simulated and state_dir is None:
        state_dir = own_state_dir() / f"{profile_path.stem}-{seed}{'' if condition == 'steady' else f'-{condition}'}"
    state = state_dir_to_use(state_dir)
    state.mkdir(parents=True, exist_ok=True)
    click.echo(f"records in {state}")
    files = ["--profile", str(profile_path), "--book", str(book_path), "--run-dir", str(folder)]
    network = [] if lan is None else ["--lan", lan, *(word for name in lan_names for word in ("--lan-name", name))]
    plans = _guard_and_engine(profile, folder, [*files, "--state-dir", str(state)], network)
    if is_simulated:
        plant = ["--seed", str(seed), "--as", condition, "--memory", str(state / MEMORY)]
        plans.insert(0, _bench(folder, [*files, *plant], glass))
    if profile.scale is not None:
        plans.append(_scale(folder, profile_path))
    with listening(folder / UP):
        run_together(plans, lambda: _welcome(folder, is_simulated=is_simulated))


def _require_glass(book: "Book", glass: str | None) -> None:
    names = [one.glass for one in book.glasses]
    if glass is not None and glass not in names:
        raise click.BadParameter(f"the book has no glass {glass!r}; it has {', '.join(names)}.", param_hint="--glass")


def _bench(folder: Path, options: list[str], glass: str | None) -> ProcessPlan:
    under = [] if glass is None else ["--glass", glass]
    return ProcessPlan("bench", ["bench", "run", *options, *under], lambda: _listens(folder / BENCH))


def _scale(folder: Path, profile_path: Path) -> ProcessPlan:
    words = ["scale", "run", "--profile", str(profile_path), "--run-dir", str(folder)]
    return ProcessPlan("scale", words, (folder / SCALE).is_socket, may_end=True)


def _guard_and_engine(profile: "Profile", folder: Path, files: list[str], network: list[str]) -> list[ProcessPlan]:
    from controller.guard.alloff import all_off as drive_off

    def all_off() -> None:
        """Behind the guard and its sentinel, as the boot service's last step."""
        for failure in drive_off(profile, folder / BENCH):
            say(f"guard  | {failure}", err=True)

    return [
        ProcessPlan("guard", ["guard", *files], lambda: _listens(folder / GUARD), all_off),
        ProcessPlan("engine", ["engine", *files, *network], lambda: _is_healthy(folder)),
    ]


def _free_folder(run_dir: Path | None) -> Path:
    """The folder for the sockets; TundishError while another machine runs there."""
    folder = run_dir_to_fill(run_dir)
    running = [one.name for one in running_in(folder)]
    if running:
        raise TundishError(
            f"a machine already runs in {folder} ({', '.join(running)}). Stop it first with tundish down, or choose "
            "another place with --run-dir."
        )
    return folder


def _welcome(folder: Path, *, is_simulated: bool) -> None:
    """What to type next, in another terminal."""
    engine = EngineClient(folder)
    menu, status = engine.get("menu", tuple[MenuEntry, ...]), engine.get("status", Status)
    ready = [one.recipe for one in menu if not one.missing]
    place = "" if EngineClient(None).path == engine.path else f" --run-dir {shlex.quote(str(folder))}"
    rows = [
        ("tundish status", "the machine at a glance, and what each line needs"),
        ("tundish menu", f"{len(ready)} of {len(menu)} drinks can be poured now"),
    ]
    stocked = [one.line for one in status.lines if one.liquid is not None]
    if ready:
        rows.append((f"tundish pour {shlex.quote(ready[0])}", "a drink"))
    elif stocked:
        rows.append((f"tundish prime {' '.join(map(str, stocked))}", "fill the lines"))
        scale = " --scale bench" if is_simulated else ""
        rows.append((f"tundish calibrate {stocked[0]}{scale}", "line by line, by weight"))
    click.secho("\nAll run. In another terminal:", bold=True)
    width = max(len(words) for words, _ in rows) + len(place)
    for words, why in rows:
        click.echo(f"  {words + place:<{width}}  {why}")
    click.echo("Ctrl-C here stops all.\n")


def _listens(socket: Path) -> bool:
    return listener_of(socket) is not None


def _is_healthy(folder: Path) -> bool:
    try:
        return EngineClient(folder).is_healthy()
    except (TundishError, http.client.HTTPException):
        return False
