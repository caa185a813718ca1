"""Seeded mutations of every example file: whatever a file becomes, it is read or refused, never a traceback.

python3 tests mutations [--seed S] [--runs N]     N mutations of each file (default 1000)

Prints how many of each file were accepted and refused; ends with 1, the seed and the run at the first failure.
"""

import argparse
import functools
import random
import re
import sys
import tempfile
import traceback
from dataclasses import dataclass
from pathlib import Path

import msgspec

from controller.config import load_book, load_event, load_profile
from controller.errors import FileProblems
from controller.model.book import Book
from controller.model.event import GuestEvent
from controller.model.profile import Profile

ROOT = Path(__file__).resolve().parent.parent
PROFILE = ROOT / "hardware_profiles" / "six_line.yaml"
BOOK_OF_EVENT = {"fete_event.yaml": "orchard_fete.yaml", "supper_event.yaml": "harvest_supper.yaml"}
EXAMPLES = (*sorted((ROOT / "hardware_profiles").glob("*.yaml")), *sorted((ROOT / "demo").glob("*.yaml")))

# Pieces that have broken readers of such files before.
PIECES = (
    "no", "on", "~", "null", "017", "1:30", "1_000", ".nan", ".inf", "-.inf", "0", "-1", "1e999", "9" * 40,
    "2026-08-30", "2 oz", "1 pint", "30 Ml", "0 mL", "-5 mL", "nan mL", "1e308 L", "45", "22 AWG", "40 %",
    "5 V", "2 dash", "1/2 in", "&a", "*a", "*juice_pump", "<<: *juice_pump", "<<: *a", "!!int", "!x",
    "!!python/none", "---", "...", "%YAML 1.1", "{", "}", "[", "]", "[]", "{}", "- ", "? ", ": ", ",", "#",
    "|", ">", "'", '"', '"\\U00110000"', '"\\x"', "\t", "\r", "\ufeff", "\u2028", "\x00", "\x85", "é",
    "gpio", "line", "lines:", "recipe", "doses:", "hand: stir", "parts: 1",
)  # fmt: skip
TOKEN = re.compile(r"\w+|[^\w\s]|\s+")


@dataclass(frozen=True)
class Tally:
    """What came of the mutations of one file."""

    accepted: int
    refused: int


def mutate(data: bytes, rng: random.Random) -> bytes:
    """The data after one to three changes of a byte, a token or a line."""
    for _ in range(rng.choice((1, 1, 2, 3))):
        data = rng.choice((_mutate_byte, _mutate_token, _mutate_token, _mutate_line))(data, rng)
    return data


def _mutate_byte(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    new = rng.choice((b"", bytes([rng.randrange(256)]), b" ", b"\n", b":", b"-"))
    return data[:at] + new + data[at + rng.randrange(2) :]


def _mutate_token(data: bytes, rng: random.Random) -> bytes:
    tokens = TOKEN.findall(data.decode("utf-8", "surrogateescape")) or [""]
    at = rng.randrange(len(tokens))
    other = rng.choice((rng.choice(PIECES), rng.choice(tokens), tokens[at] * 2, ""))
    tokens[at] = rng.choice((other, tokens[at] + other, other + tokens[at]))
    return "".join(tokens).encode("utf-8", "surrogateescape")


def _mutate_line(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(6):
        case 0:
            del lines[at]
        case 1:
            lines.insert(at, lines[other])
        case 2:
            lines[at], lines[other] = lines[other], lines[at]
        case 3:
            lines[at] = b"  " + lines[at]
        case 4:
            lines[at] = lines[at].removeprefix(b"  ")
        case _:
            lines = lines[:at]
    return b"\n".join(lines)


def load_file(path: Path, example: Path) -> Profile | Book | GuestEvent:
    """Load a file as what its example is, beside the machine and the book that go with it."""
    if example.parent.name != "demo":
        return load_profile(path)[0]
    if example.name in BOOK_OF_EVENT:
        return load_event(path, PROFILE, example.parent / BOOK_OF_EVENT[example.name])[0]
    return load_book(path, machine())[0]


@functools.cache
def machine() -> Profile:
    """The machine that mutated books are held against."""
    return load_profile(PROFILE)[0]


def try_file(path: Path, example: Path) -> bool:
    """Whether the file is accepted; AssertionError when what comes out breaks a promise of the loader."""
    try:
        value = load_file(path, example)
    except FileProblems as error:
        assert error.problems
        for problem in error.problems:
            assert problem.text.isprintable(), problem
            assert problem.line >= 1, problem
            assert problem.column >= 1, problem
        return False
    # Decoding checks every type and range of the model again.
    assert msgspec.json.decode(msgspec.json.encode(value), type=type(value)) == value
    return True


def campaign(example: Path, seed: int, runs: int, folder: Path) -> Tally:
    """Mutate one example `runs` times; any exception names the seed and the run that cause it."""
    original, path, accepted = example.read_bytes(), folder / example.name, 0
    for run in range(runs):
        path.write_bytes(mutate(original, random.Random(f"{seed} {example.name} {run}")))
        try:
            accepted += try_file(path, example)
        except Exception as error:
            raise RuntimeError(f"{example.name}: seed {seed}, run {run}") from error
    return Tally(accepted=accepted, refused=runs - accepted)


def main(argv: list[str]) -> int:
    """Mutate every example file and print what came of it."""
    parser = argparse.ArgumentParser(prog="python3 tests mutations", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=1000)
    asked = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        for example in EXAMPLES:
            try:
                tally = campaign(example, asked.seed, asked.runs, Path(folder))
            except RuntimeError as error:
                traceback.print_exc()
                print(f"failed: {error}", file=sys.stderr)
                return 1
            print(f"{example.name:28} {tally.accepted:6} accepted {tally.refused:6} refused", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
