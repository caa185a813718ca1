"""How a drink is asked for: options that plan and pour share."""

import re
from collections.abc import Callable
from typing import Any, TypeVar

import click

from controller.cli.completion import GLASS, LIQUID
from controller.cli.options import Decimal, quantity, quantity_option
from controller.model.requests import FreeDose, PourRequest
from controller.model.views import Swap

FREE_POUR = "free pour"  # what a drink without a recipe is called unless it is given a name
DOSE = re.compile(r"(?P<volume>[\d.,]+\s*[A-Za-z_]+)\s+(?P<source>\S.*)")
FROM_LINE = re.compile(r"line\s+(?P<number>\d{1,2})", re.IGNORECASE)
Command = TypeVar("Command", bound=Callable[..., Any])


def drink_options(command: Command) -> Command:
    """--times, --glass, --volume, --abv, --without, --instead, --last-alone, --dose."""
    options = (
        click.option("--times", type=Decimal(0, 20, min_open=True), help="Scale the drink by this."),
        click.option(
            "--glass",
            type=GLASS,
            metavar="NAME",
            help="Into this glass; fills it, unless --times or --volume is given.",
        ),
        quantity_option("--volume", "volume_ml", "mL", 'Poured, as "150 mL".'),
        quantity_option("--abv", "abv_percent", "%", 'Strength, as "6 %".'),
        click.option(
            "--without", type=LIQUID, metavar="LIQUID", multiple=True, help="Leave out an optional dose. Repeatable."
        ),
        click.option(
            "--instead", metavar="LIQUID=OTHER", multiple=True, callback=_swaps, help="Take a substitute. Repeatable."
        ),
        click.option(
            "--last-alone/--no-last-alone",
            default=None,
            help="On a scale, pour the largest dose by itself at the end: all come closer, for more time.",
        ),
        click.option(
            "--dose",
            "doses",
            metavar="DOSE",
            multiple=True,
            callback=_doses,
            help='No recipe, but these together, with --glass: "20 mL line 3", "1 US_floz soda". Repeatable.',
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def asked_for(recipe: str | None, words: dict[str, Any], **more: Any) -> PourRequest:
    """The request that these options make."""
    if recipe is None and words["doses"]:
        recipe = FREE_POUR
    if recipe is None:
        raise click.UsageError("name a RECIPE (see tundish menu), or doses: --dose VOLUME LIQUID --glass NAME")
    return PourRequest(recipe=recipe, **words, **more)


def _doses(ctx: click.Context, param: click.Parameter, texts: tuple[str, ...]) -> tuple[FreeDose, ...]:
    found = []
    for text in texts:
        parts = DOSE.fullmatch(text)
        if parts is None:
            raise click.BadParameter(f'{text!r} is not like "20 mL line 3" or "20 mL apple juice"')
        volume_ml = quantity("mL")(ctx, param, parts["volume"])
        line = FROM_LINE.fullmatch(parts["source"])
        if line is not None:
            found.append(FreeDose(volume_ml=volume_ml or 0.0, line=int(line["number"])))
        else:
            found.append(FreeDose(volume_ml=volume_ml or 0.0, liquid=parts["source"]))
    return tuple(found)


def _swaps(_ctx: click.Context, _param: click.Parameter, texts: tuple[str, ...]) -> tuple[Swap, ...]:
    found = []
    for text in texts:
        liquid, is_there, by = (part.strip() for part in text.partition("="))
        if not (liquid and is_there and by):
            raise click.BadParameter(f'{text!r} is not like "lime cordial=ginger syrup"')
        found.append(Swap(liquid=liquid, by=by))
    return tuple(found)
