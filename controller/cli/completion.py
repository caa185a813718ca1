"""Types of arguments whose values a shell can complete: lines, recipes, glasses and liquids of the running machine."""

from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from controller.errors import TundishError
from controller.model.views import Names


class LineNumber(click.IntRange):
    """A line's number."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Refuses numbers that a comma joins, in plain words."""
        if isinstance(value, str) and "," in value:
            self.fail(f"{value!r}: write one line, or several with spaces between them, such as 1 2 3.", param, ctx)
        return int(super().convert(value, param, ctx))

    def shell_complete(self, ctx: click.Context, _param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """The machine's lines, each with what hangs there."""
        return [
            CompletionItem(str(one.line), help=one.liquid or "nothing")
            for one in _names(ctx).lines
            if str(one.line).startswith(incomplete)
        ]


class Name(click.types.StringParamType):
    """A name from the book: `of` is the member of Names that lists it."""

    def __init__(self, of: str) -> None:
        self._of = of

    def shell_complete(self, ctx: click.Context, _param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        """The book's names that begin so, whatever their capitals."""
        names: tuple[str, ...] = getattr(_names(ctx), self._of)
        return [CompletionItem(name) for name in names if name.casefold().startswith(incomplete.casefold())]


LINE = LineNumber(1, 64)
RECIPE, GLASS, LIQUID = Name("recipes"), Name("glasses"), Name("liquids")


def _names(ctx: click.Context) -> Names:
    """What the running machine knows; nothing when none answers: a shell cannot show an error."""
    from controller.cli.client import EngineClient

    run_dir: Path | None = ctx.params.get("run_dir")
    try:
        return EngineClient(run_dir).get("names", Names)
    except TundishError:
        return Names()
