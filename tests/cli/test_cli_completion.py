"""What a shell offers to complete: names and lines of the machine that runs, and nothing when none runs."""

import pytest
from click.shell_completion import ShellComplete

from controller.cli import main

NAMES = {
    "recipes": ["Orchard Fizz", "Orchard Tea", "Ginger Cooler"],
    "glasses": ["tumbler", "tall glass"],
    "liquids": ["soda", "sloe gin"],
    "lines": [{"line": 1, "liquid": "soda"}, {"line": 2, "liquid": None}],
}


def completions(monkeypatch, folder, words, incomplete):
    monkeypatch.setenv("TUNDISH_RUN_DIR", str(folder))
    found = ShellComplete(main, {}, "tundish", "_TUNDISH_COMPLETE").get_completions(words, incomplete)
    return [one.value for one in found]


@pytest.mark.parametrize(
    ("words", "incomplete", "offered"),
    [
        (["pour"], "orch", ["Orchard Fizz", "Orchard Tea"]),
        (["plan"], "G", ["Ginger Cooler"]),
        (["pour", "--glass"], "t", ["tumbler", "tall glass"]),
        (["assign", "1"], "so", ["soda"]),
        (["assign"], "", ["1", "2"]),
        (["prime", "1"], "", ["1", "2"]),
    ],
)
def test_names_and_lines_of_the_running_machine_are_offered(monkeypatch, engine, words, incomplete, offered):
    engine.answers["GET", "names"] = 200, NAMES
    assert completions(monkeypatch, engine.folder, words, incomplete) == offered


def test_without_a_machine_nothing_is_offered_and_nothing_breaks(monkeypatch, tmp_path):
    assert completions(monkeypatch, tmp_path, ["pour"], "Or") == []
