"""The command `tundish`.

Each command's module is imported only when the command runs: `tundish status` must answer at once, also on a small
board, so this file imports click and the error tree and nothing else.
"""

import importlib
import json
import os
import sys
from collections.abc import Sequence
from typing import Any

import click

from controller.errors import FileProblems, OutOfRange, Refused, TundishError

# Command -> its module under controller.cli and its line in the help, in the order of a machine's life.
COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("setup.new", "Ask about your machine, and write its profile and a first book."),
    "check": ("setup.files", "Check profile and book; every problem at once."),
    "schema": ("setup.files", "Print the JSON Schema of a file, or the HTTP interface as OpenAPI."),
    "wiring": ("setup.wiring", "Show pins, relay channels, pumps and boot configuration lines."),
    "budget": ("setup.budget", "Show what the supply can give, and what is left for pumps."),
    "up": ("run.up", "Start bench (if simulated), guard and engine together."),
    "down": ("run.down", "End what up has started, wherever its terminal is."),
    "status": ("records.facts", "Show the machine at a glance."),
    "menu": ("pour.menu", "Show what can be poured now, and why not."),
    "plan": ("pour.plan", "Show the plan of a drink, and what limits it."),
    "pour": ("pour.pour", "Pour a drink."),
    "orders": ("orders.commands", "Show who waits for what; call, pour, move and refuse orders."),
    "confirm": ("pour.pour", "Say that the hand step of the drink under way is done."),
    "stop": ("pour.pour", "Stop every pump now."),
    "acknowledge": ("pour.pour", "Clear a latched fault after seeing to its cause."),
    "assign": ("lines.lines", "Say which liquid now hangs on a line."),
    "jog": ("lines.lines", "Run one pump briefly, to see that it is the right one."),
    "commissioned": ("lines.lines", "Show which lines somebody has seen move the right way."),
    "prime": ("lines.lines", "Fill lines with their liquid."),
    "purge": ("lines.lines", "Empty lines into a jug."),
    "clean": ("lines.lines", "Fill lines with cleaner."),
    "rinse": ("lines.lines", "Rinse lines with water."),
    "stock": ("lines.stock", "Show what is left in the containers; say what was changed."),
    "scale": ("scale.commands", "Show the scale under the glass; zero, span and check it."),
    "hygiene": ("lines.hygiene", "Show how clean the lines are; close an event; the record."),
    "calibrate": ("calibrate.calibrate", "Weigh timed runs of a line and fit its flow."),
    "spot-check": ("calibrate.spot_check", "Weigh one run to see whether a calibration still holds."),
    "sag": ("calibrate.sag", "Learn how much lines slow each other down."),
    "calibration": ("records.facts", "Show a line's calibration and the error to expect."),
    "history": ("records.history", "Show what was poured, used and refused."),
    "journal": ("records.journal", "Show what the guard wrote down: every operation, edge and refusal."),
    "prepare": ("events.prepare", "Prepare an event: shopping list, lines, queue, changes of containers."),
    "rehearse": ("events.rehearse", "Rehearse an event on the simulated machine, with a report."),
    "reload": ("run.reload", "Read the book again; a bad one leaves the old one in force."),
    "bench": ("run.bench", "Run the simulated machine, or act on the one that runs."),
    "guard": ("run.processes", "Run the process that owns the pins."),
    "engine": ("run.processes", "Run the process that plans and answers."),
    "all-off": ("run.processes", "Drive every line off, without guard or engine."),
    "network": ("network.commands", "Let phones on the local network in, or turn everybody out."),
    "invite": ("network.commands", "Print the code that lets guests in."),
    "backup": ("backup.commands", "Keep files and records of the machine in one archive."),
    "restore": ("backup.commands", "Put back what a backup has kept."),
    "install": ("install.commands", "Install guard and engine as services that start at boot."),
    "upgrade": ("install.commands", "Take over files and records after pip has brought a new version."),
    "uninstall": ("install.commands", "Remove the services."),
}


class Commands(click.Group):
    """The group of all commands; turns what they raise into a message and an exit code."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Every command, in the order of a machine's life."""
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of this command; None when there is no such command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"controller.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list in the help, without importing any command."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def main(self, args: Sequence[str] | None = None, prog_name: str | None = None, **extra: Any) -> Any:  # type: ignore[override]
        """Run, and exit: 0 done, 1 refused or failed, 2 wrong usage or bad file, 3 not reachable, 4 fault latched."""
        extra["standalone_mode"] = False
        words = list(sys.argv[1:] if args is None else args)
        try:
            result = super().main(words, prog_name or "tundish", **extra)
        except click.ClickException as error:
            if "--json" in words:
                _show_json({"error": "usage", "message": error.format_message(), "exit_code": error.exit_code})
            else:
                error.show()
            sys.exit(error.exit_code)
        except click.Abort:
            click.echo("Interrupted.", err=True)
            sys.exit(1)
        except TundishError as error:
            _show_error(error, as_json="--json" in words)
            sys.exit(error.exit_code)
        except BrokenPipeError:
            # The reader of our output is gone (`tundish history | head`); nothing is left to be said to it.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(1)
        sys.exit(result if isinstance(result, int) else 0)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="tundish")
def main() -> None:
    """Control a machine that mixes drinks: one pump a liquid, one funnel, one glass."""


def _show_error(error: TundishError, *, as_json: bool) -> None:
    """The error on standard error, as words or as one JSON document."""
    if as_json:
        _show_json({"error": type(error).__name__, "message": str(error), "exit_code": error.exit_code} | _facts(error))
    else:
        click.secho(str(error), err=True, fg="red")


def _facts(error: TundishError) -> dict[str, Any]:
    """What the error carries beside its message."""
    if isinstance(error, FileProblems):
        return {"problems": [vars(one) for one in error.problems]}
    if isinstance(error, Refused | OutOfRange):
        return {name: value for name, value in vars(error).items() if isinstance(value, str | float | int | list)}
    return {}


def _show_json(document: dict[str, Any]) -> None:
    click.echo(json.dumps(document, ensure_ascii=False), err=True)
