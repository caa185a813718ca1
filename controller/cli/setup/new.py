"""`tundish new`: asks what matters of a machine, and writes a profile and a book that `tundish check` accepts."""

import shlex
from pathlib import Path

import click

from controller.cli.setup import new_files
from controller.cli.setup.new_files import Answers, LineAnswers
from controller.errors import BadQuantity, FileProblems, TundishError

CHIPS = {
    "pinctrl-bcm2835": "BCM2835 to BCM2837 (first to third generation, and the small ones)",
    "pinctrl-bcm2711": "BCM2711 (fourth generation)",
    "pinctrl-rp1": "RP1 (fifth generation)",
}
LINES = click.IntRange(1, 16)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
def new(folder: Path) -> None:
    """Write profile.yaml and book.yaml into FOLDER by asking a few questions. Enter takes the figure in brackets.

    Nothing is overwritten. What is not asked is a common figure with its reason beside it in the files: hold each
    against your data sheets.
    """
    there = [path for name in ("profile.yaml", "book.yaml") if (path := folder / name).exists()]
    if there:
        raise TundishError(f"{' and '.join(map(str, there))} are there already. Choose another folder.")
    answers = _ask()
    folder.mkdir(parents=True, exist_ok=True)
    try:
        warnings = new_files.write(answers, folder)
    except FileProblems:
        click.echo(f"\nWritten to {folder}, but what was answered cannot work yet:", err=True)
        raise
    click.echo(f"\nWritten to {folder}: profile.yaml, book.yaml, and the schemas that editors check them by.")
    for warning in warnings:
        click.echo(f"note: {warning}")
    profile, book = (f"--{name} {shlex.quote(str(folder / name))}.yaml" for name in ("profile", "book"))
    first = "tundish up" if answers.is_simulated else "sudo tundish install"
    click.echo(f"Read both, then:\n  tundish wiring {profile}\n  {first} {profile} {book}")


def _ask() -> Answers:
    return Answers(
        machine=click.prompt("What is the machine called", default="my machine"),
        is_simulated=click.confirm("Simulate it first (no pin is touched)", default=True),
        chip=_ask_chip(),
        active_level=click.prompt("Level that pulls a relay in", type=click.Choice(["low", "high"]), default="low"),
        flow_ml_s=_quantity("Flow of one pump, by its data sheet", "mL/s", "100 mL/min"),
        run_a=_quantity("Current of one pump that runs", "A", "0.5 A"),
        rated_a=_quantity("Current that the 12 V supply is rated for", "A", "5 A"),
        bore_mm=_quantity("Bore of the tubes", "mm", "2 mm"),
        has_glass=click.confirm("Is there a contact under the glass", default=True),
        poured=tuple(map(_ask_line, range(1, 1 + click.prompt("How many lines (pumps)", type=LINES, default=6)))),
    )


def _ask_chip() -> str:
    click.echo("Which GPIO chip carries the header? gpiodetect prints its label in brackets.")
    for label, text in CHIPS.items():
        click.echo(f"  {label}: {text}")
    return str(click.prompt("Label of the chip", default="pinctrl-bcm2711"))


def _ask_line(line: int) -> LineAnswers:
    return LineAnswers(
        liquid=click.prompt(f"Line {line}: which liquid", default=f"liquid {line}"),
        abv_percent=_quantity(f"Line {line}: alcohol by volume", "%", "0 %"),
        opened_life=_written(f"Line {line}: how long does it keep once opened (see its label)", "s", "1 day"),
        allergens=_names(click.prompt(f"Line {line}: allergens, such as milk, sulphites", default="none")),
        container_ml=_quantity(f"Line {line}: size of its container", "mL", "1000 mL"),
    )


def _names(text: str) -> tuple[str, ...]:
    return () if text == "none" else tuple(one.strip() for one in text.split(","))


def _quantity(question: str, unit: str, default: str) -> float:
    """A number with its unit; asked again until it is one."""
    from controller.quantities import parse

    return parse(_written(question, unit, default), unit)


def _written(question: str, unit: str, default: str) -> str:
    """The same as it was typed."""
    from controller.quantities import parse

    while True:
        text: str = click.prompt(question, default=default)
        try:
            parse(text, unit)
        except BadQuantity as error:
            click.echo(f"  {error}")
        else:
            return text
