"""How a drink is asked for: options that plan and pour share."""

from collections.abc import Callable
from typing import Any, TypeVar

import click

from controller.cli.options import quantity
from controller.model.views import PourRequest, Swap

Command = TypeVar("Command", bound=Callable[..., Any])


def drink_options(command: Command) -> Command:
    """--times, --glass, --volume, --abv, --without, --instead."""
    options = (
        click.option("--times", type=click.FloatRange(0, 20, min_open=True), help="Scale the drink by this."),
        click.option("--glass", metavar="NAME", help="Into this glass; fills it, unless --times or --volume is given."),
        click.option("--volume", "volume_ml", metavar="VOLUME", callback=quantity("mL"), help='Poured, as "150 mL".'),
        click.option("--abv", "abv_percent", metavar="PERCENT", callback=quantity("%"), help='Strength, as "6 %".'),
        click.option("--without", metavar="LIQUID", multiple=True, help="Leave out an optional dose. Repeatable."),
        click.option(
            "--instead", metavar="LIQUID=OTHER", multiple=True, callback=_swaps, help="Take a substitute. Repeatable."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def asked_for(recipe: str, words: dict[str, Any], **more: Any) -> PourRequest:
    """The request that these options make."""
    return PourRequest(
        recipe=recipe,
        times=words["times"],
        glass=words["glass"],
        volume_ml=words["volume_ml"],
        abv_percent=words["abv_percent"],
        without=words["without"],
        instead=words["instead"],
        **more,
    )


def _swaps(_ctx: click.Context, _param: click.Parameter, texts: tuple[str, ...]) -> tuple[Swap, ...]:
    found = []
    for text in texts:
        liquid, is_there, by = (part.strip() for part in text.partition("="))
        if not (liquid and is_there and by):
            raise click.BadParameter(f'{text!r} is not like "lime cordial=ginger syrup"')
        found.append(Swap(liquid=liquid, by=by))
    return tuple(found)
