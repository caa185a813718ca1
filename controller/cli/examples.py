"""Profiles, books and events as arguments: a file, or the name of an example that came with the program."""

import sysconfig
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

import controller
from controller.errors import TundishError

EVENT = "_event"  # how the names of example events end; they lie beside the books


def shared_folder() -> Path:
    """Where units, example profiles, books and events lie: beside the source, or installed with the wheel.

    Raises TundishError when they are in neither place.
    """
    source = Path(controller.__file__).resolve().parent.parent
    installed = Path(sysconfig.get_path("data")) / "share" / "tundish"
    for place in (source, installed):
        if (place / "systemd" / "tundish-guard.service").is_file():
            return place
    raise TundishError(f"the unit files are neither in {source} nor in {installed}. Install the wheel again.")


class ExampleOrFile(click.Path):
    """A path that exists, else an example's name; `kind` is profile, book or event."""

    def __init__(self, kind: str) -> None:
        super().__init__(path_type=Path, dir_okay=False, exists=True)
        self.name = kind

    def examples(self) -> dict[str, Path]:
        """The examples by name; none when they are not installed."""
        try:
            folder = shared_folder() / ("hardware_profiles" if self.name == "profile" else "demo")
        except TundishError:
            return {}
        paths = sorted(folder.glob("*.yaml"))
        return {one.stem: one for one in paths if one.stem.endswith(EVENT) == (self.name == "event")}

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """The path; a usage error names the examples."""
        path = Path(str(value))
        found = path if path.is_file() else self.examples().get(str(value))
        if found is None:
            self.fail(f"{value} is neither a file nor an example: {', '.join(self.examples())}.", param, ctx)
        return found

    def shell_complete(self, _ctx: click.Context, _param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """Examples that begin so, and files."""
        names = [CompletionItem(name) for name in self.examples() if name.startswith(incomplete)]
        return [*names, CompletionItem(incomplete, type="file")]


profile_type, book_type, event_type = ExampleOrFile("profile"), ExampleOrFile("book"), ExampleOrFile("event")
profile_option = click.option("--profile", "profile_path", type=profile_type, required=True, help="The machine.")
event_argument = click.argument("event_path", metavar="EVENT", type=event_type)


def machine_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--profile and --book."""
    book = click.option("--book", "book_path", type=book_type, required=True, help="Liquids, glasses, recipes.")
    return profile_option(book(command))
