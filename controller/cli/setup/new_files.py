"""The files of a new machine: an example profile with what was answered in its places, and a first book."""

import re
from pathlib import Path

from controller.cli.examples import profile_type
from controller.config import load, load_profile, schema_text
from controller.errors import TundishError
from controller.model.fields import Value
from controller.model.header import HEADER
from controller.sequencing.budget import supply_budget

EXAMPLE = "six_line"  # the profile whose other figures, and the reasons beside them, are kept
INRUSH = 2.5  # total inrush current of a small brushed motor per running current: common practice, no source
MARGIN = 0.95  # of what the supply leaves for pumps
PUMPS_AT_ONCE = 8
STOP, GLASS = 17, 27  # GPIO of the contacts


class LineAnswers(Value, frozen=True, kw_only=True):
    """What hangs on a line."""

    liquid: str
    abv_percent: float
    opened_life: str
    allergens: tuple[str, ...]
    container_ml: float


class Answers(Value, frozen=True, kw_only=True):
    """What was asked of a machine; lines in order."""

    machine: str
    is_simulated: bool
    chip: str
    active_level: str
    flow_ml_s: float
    run_a: float
    rated_a: float
    bore_mm: float
    has_glass: bool
    poured: tuple[LineAnswers, ...]


def write(answers: Answers, folder: Path) -> list[str]:
    """Write both files and their schemas; the warnings. Raises FileProblems when what was answered cannot work."""
    profile, book = folder / "profile.yaml", folder / "book.yaml"
    for name in ("profile", "book"):
        (folder / f"{name}.schema.json").write_text(schema_text(name), encoding="utf-8")
    book.write_text(book_text(answers), encoding="utf-8")
    # What the supply leaves for pumps is known once all the rest is; until then the cap lets one pump start.
    profile.write_text(profile_text(answers, current_a=INRUSH * answers.run_a), encoding="utf-8")
    left_a = MARGIN * supply_budget(load_profile(profile)[0]).left_a
    profile.write_text(profile_text(answers, current_a=left_a), encoding="utf-8")
    return [str(one) for one in load(profile, book)[2]]


def profile_text(answers: Answers, *, current_a: float) -> str:
    """The profile, with `current_a` (A) as the cap on the pumps' current."""
    example = profile_type.examples().get(EXAMPLE)
    if example is None:
        raise TundishError("the example profiles are not installed beside the program. Install the wheel again.")
    text = example.read_text(encoding="utf-8")
    gpios = free_gpios(answers.active_level, len(answers.poured))
    head = (
        "# yaml-language-server: $schema=profile.schema.json\n"
        f"# {answers.machine}: what was answered is yours; every other figure is a common one, invented for the\n"
        "# examples. Hold each against your data sheets before a pump is wired.\n\n"
    )
    text = head + text[text.index("machine:") :]
    boot = _boot_lines(answers.active_level, gpios)
    relays = 16 if len(gpios) > PUMPS_AT_ONCE else 8
    figures = {
        "machine": _quoted(answers.machine),
        "backend": "bench" if answers.is_simulated else "gpio",
        "chip": answers.chip,
        "rated": f"{answers.rated_a:g} A",
        "channels": f"{relays}",
        "active_level": answers.active_level,
        "current": f"{int(current_a * 100) / 100:g} A",
        "concurrent": f"{min(PUMPS_AT_ONCE, len(gpios))}",
    }
    for key, value in figures.items():
        text = _with(text, key, value)
    text = text.replace("  load_current:", f"{boot}  load_current:", 1)
    start, end = text.index("lines:\n"), text.index("# Contacts between")
    text = (
        text[:start]
        + "lines:\n"
        + "".join(_line(answers, n, gpio) for n, gpio in enumerate(gpios, 1))
        + "\n"
        + text[end:]
    )
    start, end = text.index("inputs:\n"), text.index("funnel:\n")
    return text[:start] + _inputs(answers) + text[end:]


def free_gpios(active_level: str, count: int) -> list[int]:
    """GPIOs for relays: those that the computer's own pulls hold off at power-on first, buses last.

    Raises TundishError when the header has not so many.
    """
    off = "up" if active_level == "low" else "down"
    free = [pin for pin in HEADER.values() if pin.gpio not in (STOP, GLASS) and pin.bus != "ID EEPROM"]
    ordered = sorted(free, key=lambda pin: (pin.reset_pull != off, pin.bus != "", pin.gpio))
    if len(ordered) < count:
        raise TundishError(f"the header has {len(ordered)} GPIOs left for {count} relays.")
    return [pin.gpio for pin in ordered[:count]]


def book_text(answers: Answers) -> str:
    """A book with every liquid, a glass, and one recipe to begin with."""
    liquids = "".join(map(_liquid, answers.poured))
    lines = "".join(
        f"  - {{line: {number}, liquid: {_quoted(one.liquid)}, container: {one.container_ml:g} mL}}\n"
        for number, one in enumerate(answers.poured, start=1)
    )
    doses = "".join(
        f"          - {{liquid: {_quoted(one.liquid)}, volume: {volume_ml} mL}}\n"
        for one, volume_ml in zip(answers.poured, (60, 20), strict=False)
    )
    return (
        "# yaml-language-server: $schema=book.schema.json\n"
        f"# What {answers.machine} pours. Add brix or density from the label or a hydrometer: a volume is only\n"
        "# as true as the density that turns weighed grams into it. Measure your glasses.\n"
        f"title: {_quoted(answers.machine)}\n\nliquids:\n{liquids}\n"
        "glasses:\n  - {glass: tumbler, brim: 330 mL, usable: 270 mL}\n\n"
        f"lines:\n{lines}\nrecipes:\n  - recipe: First Glass\n    glass: tumbler\n    phases:\n      - doses:\n{doses}"
    )


def _with(text: str, key: str, value: str) -> str:
    """The first such key with this value; the comment behind it stays."""
    found, times = re.subn(rf"(?m)^(\s*{key}: )[^#\n]*?(\s*(?:#.*)?)$", lambda m: f"{m[1]}{value}{m[2]}", text, count=1)
    if not times:
        raise TundishError(f"the example profile has no {key}.")
    return found


def _boot_lines(active_level: str, gpios: list[int]) -> str:
    """The boot lines that hold off the relays which the computer's own pulls would not."""
    pulled, word = ("down", "dh") if active_level == "low" else ("up", "dl")
    lines = [f"gpio={gpio}=op,{word}" for gpio in gpios if HEADER[gpio].reset_pull == pulled]
    return f"  boot_lines: [{', '.join(map(_quoted, lines))}]   # the same in the boot configuration\n" if lines else ""


def _line(answers: Answers, number: int, gpio: int) -> str:
    return (
        f"  - line: {number}\n    gpio: {gpio}\n    channel: {number}\n    pump:\n"
        f"      nominal_flow: {60 * answers.flow_ml_s:g} mL/min\n      run: {answers.run_a:g} A\n"
        f"      inrush_current: {INRUSH * answers.run_a:g} A   # at the start; {INRUSH:g} times run, common practice\n"
        "      inrush_time: 80 ms\n      rotation: clockwise\n      suction: 60 kPa\n"
        f"    tube: {{bore: {answers.bore_mm:g} mm, suction: 0.5 m, delivery: 0.6 m, lift: 0.25 m}}\n"
        "    wire: {section: 22 AWG, length: 0.7 m}\n"
    )


def _inputs(answers: Answers) -> str:
    glass = f"  glass: {{gpio: {GLASS}, contact: normally_open, debounce: 50 ms}}    # closes under a glass\n"
    return (
        "inputs:\n"
        f"  stop: {{gpio: {STOP}, contact: normally_closed, debounce: 10 ms}}   # a broken wire stops the machine\n"
        f"{glass if answers.has_glass else ''}\n"
    )


def _liquid(one: LineAnswers) -> str:
    lines = [f"  - liquid: {_quoted(one.liquid)}"]
    lines += [f"    abv: {one.abv_percent:g} %"] if one.abv_percent > 0 else []
    lines += [f"    allergens: [{', '.join(one.allergens)}]"] if one.allergens else []
    return "\n".join([*lines, f"    opened_life: {one.opened_life}", ""])


def _quoted(text: str) -> str:
    """The text as a YAML string, whatever is in it."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
