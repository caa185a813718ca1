"""The README's tour, followed to the letter: its commands in its order on the bench, and what they print.

Figures differ from run to run by the scale's noise and the moment of a glance: each may be FAR off.
"""

import re
import shlex
import tempfile
from pathlib import Path

import pytest

from tests.cli import test_cli_up as up

ROOT = Path(__file__).parents[2]
NUMBER = re.compile(r"\d+(?:\.\d+)?")
FAR = 0.05  # of a figure, or LEAST
LEAST = 0.3  # s, mL, and what else the tour shows
BARS = re.compile(r"#[#.]*$")


def chapters():
    return (ROOT / "README.md").read_text().split("\n## ")


def tour():
    """Each command of the chapter with the lines that the README shows of its output."""
    (text,) = [one for one in chapters() if one.startswith("A tour\n")]
    steps: list[tuple[list[str], list[str]]] = []
    for block in re.findall(r"^```\n(.*?)^```$", text, re.MULTILINE | re.DOTALL):
        for line in block.splitlines():
            if line.startswith("$ "):
                steps.append((shlex.split(line[2:]), []))
            elif line:
                steps[-1][1].append(line)
    return steps


def is_as_shown(shown, real):
    """Whether a real line says what the README's line says, with figures that are no farther off than FAR."""
    one, other = (" ".join(BARS.sub("", line).split()) for line in (shown, real))
    figures = [[float(figure) for figure in NUMBER.findall(text)] for text in (one, other)]
    if NUMBER.sub("0", one) != NUMBER.sub("0", other):
        return False
    return all(abs(a - b) <= max(LEAST, FAR * a) for a, b in zip(*figures, strict=True))


def first_missing(shown, real):
    """The README's first line that is not in its place in the output ("..." stands for any lines); None for none."""
    place, may_skip = 0, False
    for line in shown:
        if line.strip() == "...":
            may_skip = True
            continue
        there = range(place, len(real) if may_skip else min(place + 1, len(real)))
        found = next((index for index in there if is_as_shown(line, real[index])), None)
        if found is None:
            return line
        place, may_skip = found + 1, False
    return None if may_skip or place == len(real) else f"nothing after {shown[-1]!r}"


@pytest.mark.parametrize(
    ("shown", "real", "missing"),
    [
        (["a 1.00 mL", "..."], ["a 1.01 mL", "b", "c"], None),
        (["a 1.00 mL", "..."], ["a 2.01 mL", "b"], "a 1.00 mL"),
        (["a", "c"], ["a", "b", "c"], "c"),
        (["a", "...", "c"], ["a", "b", "c"], None),
        (["a"], ["a", "b"], "nothing after 'a'"),
        (["line 20 ####...."], ["line 20 ###....."], None),
        (["soda"], ["cold tea"], "soda"),
    ],
)
def test_what_the_readme_shows_is_told_from_what_it_does_not(shown, real, missing):
    assert first_missing(shown, real) == missing


class Reader(up.Desk):
    """A desk where the tour's first command is what brings the machine up."""

    def words(self):
        (_, (first, _), *_) = tour()
        return first[2:]


def test_the_tour_can_be_followed_to_the_letter():
    (activate, _), (first, _), *steps = tour()
    assert activate == [".", ".venv/bin/activate"]
    assert first[:2] == ["tundish", "up"]
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        desk = Reader(Path(name))
        with desk.up():
            for (program, *words), shown in steps:
                assert program == "tundish"
                code, out, err = desk.tundish(*words)
                said = [line for line in (out + err).splitlines() if line.strip()]
                assert first_missing(shown, said) is None, f"{words}: {first_missing(shown, said)!r} in\n{out}{err}"
                assert code == (1 if shown[0].startswith("refused") else 0), words


def test_the_tour_shows_the_whole_way_to_a_drink():
    commands = [words[1] for words, _ in tour()[1:]]
    assert commands[0] == "up"
    for command in ("status", "prime", "calibrate", "menu", "plan", "pour"):
        assert command in commands
