"""Options that many commands share, and how facts are printed."""

import csv
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import click
import msgspec

from controller.bench.effects import CONDITIONS
from controller.errors import BadQuantity, Problem, TundishError

if TYPE_CHECKING:
    from controller.cli.client import EngineClient

Command = TypeVar("Command", bound=Callable[..., Any])
T = TypeVar("T")

folder = click.Path(path_type=Path, file_okay=False)
existing_file = click.Path(path_type=Path, exists=True, dir_okay=False)

run_dir_option = click.option("--run-dir", type=folder, envvar="TUNDISH_RUN_DIR", help="Folder of the sockets.")
state_dir_option = click.option(
    "--state-dir", type=folder, envvar="TUNDISH_STATE_DIR", help="Folder of ledger and journal."
)
condition_option = click.option(
    "--as",
    "condition",
    type=click.Choice(list(CONDITIONS)),
    default="steady",
    show_default=True,
    help="Which state the simulated machine is in: steady holds still; new and worn pumps warm up, age and draw gas.",
)
NUMBER = re.compile(r"[-+]?[0-9.]+( \S+)?")

EITHER = re.compile(r"[+-]?([1-9][0-9]{0,2}),([0-9]{3})")  # thousands in one country, thousandths in another
METAVARS = {"mL": "VOLUME", "s": "TIME", "g": "MASS", "%": "PERCENT"}  # of quantities, by their unit


class Decimal(click.FloatRange):
    """A number within a range, typed with a decimal point or a decimal comma."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Refuses what is no finite number, in plain words."""
        try:
            number = decimal(value) if isinstance(value, str) else value
        except BadQuantity as error:
            self.fail(str(error), param, ctx)
        return float(super().convert(number, param, ctx))


def decimal(text: str) -> float:
    """A finite number as people type it: 49.6 or 49,6. Raises BadQuantity for anything else."""
    clean = text.strip()
    if either := EITHER.fullmatch(clean):
        whole, rest = either.groups()
        raise BadQuantity(f'"{clean}" may mean {whole}.{rest} or {whole}{rest}. Write which one, without the comma.')
    try:
        number = float(clean.replace(",", ".", 1))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise BadQuantity(f'"{clean[:40]}" is not a number. Write one such as 49.6.')
    return number


@dataclass(frozen=True, kw_only=True)
class Session:
    """One call of a command: which machine it asks, and how it prints."""

    run_dir: Path | None = None
    as_json: bool = False

    @cached_property
    def engine(self) -> "EngineClient":
        """The engine of the machine in run_dir."""
        from controller.cli.client import EngineClient

        return EngineClient(self.run_dir)

    def say(self, text: str) -> None:
        """Print a text beside the facts; nothing where one JSON document is to be printed."""
        if not self.as_json:
            click.echo(text)

    def show(self, value: T, draw: str | Callable[[T], str]) -> None:
        """Print the value as one JSON document, or the text, or what is drawn of the value."""
        if self.as_json:
            click.echo(msgspec.json.format(msgspec.json.encode(value), indent=2).decode())
        else:
            click.echo(draw if isinstance(draw, str) else draw(value))


def file_option(flag: str, name: str, text: str) -> Callable[[Command], Command]:
    """An option that names a file to be written."""
    return click.option(flag, name, type=click.Path(path_type=Path, dir_okay=False, writable=True), help=text)


@contextmanager
def writing(path: Path) -> Iterator[TextIO]:
    """A text file to be written, lines as they are given; TundishError when it cannot be written."""
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            yield file
    except TundishError:
        raise  # an engine that cannot be reached is no file that cannot be written
    except OSError as error:
        raise TundishError(f"cannot write {path}: {error.strerror}.") from error


def write_table(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a table as CSV; TundishError when it cannot be written."""
    with writing(path) as file:
        table = csv.writer(file)
        table.writerow(header)
        table.writerows(rows)


def date_options(command: Command) -> Command:
    """--since and --until, in Unix seconds; a day as --until is meant to its end."""

    def seconds(_ctx: click.Context, param: click.Parameter, moment: datetime | None) -> float | None:
        is_whole_day = moment is not None and param.name == "until" and (moment.hour, moment.minute) == (0, 0)
        return None if moment is None else (moment + timedelta(days=is_whole_day)).timestamp()

    date = click.DateTime(["%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"])
    until = click.option("--until", type=date, callback=seconds, help="To the end of this day, or before this moment.")
    return click.option("--since", type=date, callback=seconds, help="From this day or moment on.")(until(command))


def session_options(command: Command) -> Command:
    """--run-dir and --json, as one argument `session`."""
    return run_dir_option(json_option(command))  # type: ignore[no-any-return]


def json_option(command: Callable[..., Any]) -> Any:
    """--json, as an argument `session`; with --run-dir too where the command has it."""

    @wraps(command)
    def call(*args: Any, as_json: bool, run_dir: Path | None = None, **words: Any) -> Any:
        return command(*args, session=Session(run_dir=run_dir, as_json=as_json), **words)

    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")(call)


def more_in_check(warnings: Sequence[object]) -> list[str]:
    """One line for warnings that tundish check says in full; none for none."""
    if not warnings:
        return []
    count = "1 warning" if len(warnings) == 1 else f"{len(warnings)} warnings"
    return [click.style(f"{count} about these files: tundish check", fg="yellow")]


def warnings_of(warnings: Sequence[Problem], event: Path) -> list[str]:
    """Warnings about an event, which tundish check does not read, in full; those about the other files in short."""
    own = [click.style(f"warning: {one}", fg="yellow") for one in warnings if one.file == str(event)]
    return own + more_in_check([one for one in warnings if one.file != str(event)])


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Columns side by side under a header; a column of numbers, with or without unit, is set right."""
    cells = [list(row) for row in rows]
    columns = list(zip(*cells, strict=True)) if cells else [()] * len(header)
    widths = [max(map(len, (title, *column))) for title, column in zip(header, columns, strict=True)]
    right = [is_numeric(column) for column in columns]

    def line(row: Sequence[str]) -> str:
        set_ = [
            cell.rjust(width) if is_right else cell.ljust(width)
            for cell, width, is_right in zip(row, widths, right, strict=True)
        ]
        return "  ".join(set_).rstrip()

    return "\n".join([click.style(line(header), bold=True), *map(line, cells)])


def is_numeric(column: Sequence[str]) -> bool:
    """Whether all that a column holds is numbers, with or without unit."""
    return any(column) and all(cell == "" or NUMBER.fullmatch(cell) for cell in column)


def quantity(unit: str) -> Callable[[click.Context, click.Parameter, str | None], float | None]:
    """A callback that reads a number with its unit, as files have them: the float of `unit`, None for nothing."""

    def read(_ctx: click.Context, _param: click.Parameter, text: str | None) -> float | None:
        from controller.quantities import parse

        if text is None:
            return None
        try:
            return parse(text, unit)
        except BadQuantity as error:
            raise click.BadParameter(str(error)) from error

    return read


def quantity_option(
    flag: str, name: str, unit: str, text: str, default: str | None = None
) -> Callable[[Command], Command]:
    """An option that takes a number with its unit; None when it is not given and there is no default."""
    more: dict[str, Any] = {} if default is None else {"default": default, "show_default": True}
    return click.option(flag, name, metavar=METAVARS[unit], callback=quantity(unit), help=text, **more)


def certificate_of(certificate: Path | None, key: Path | None) -> tuple[Path, Path] | None:
    """Certificate and key for TLS, both or none; UsageError for one alone."""
    if (certificate is None) != (key is None):
        raise click.UsageError("--certificate and --key belong together.")
    return (certificate, key) if certificate and key else None


def moment(wall_s: float | None) -> str:
    """A moment as people write it, local time; "" for none."""
    return "" if wall_s is None else f"{datetime.fromtimestamp(wall_s):%Y-%m-%d %H:%M}"


def iso_moment(wall_s: float) -> str:
    """A moment for tables that programs read: to the second, with its offset from UTC."""
    return datetime.fromtimestamp(wall_s).astimezone().isoformat(timespec="seconds")
