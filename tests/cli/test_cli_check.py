"""`tundish check`: files, what a pump will not draw, and the board it runs on."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli import main

ROOT = Path(__file__).resolve().parents[2]
SIX, BENCH = ROOT / "hardware_profiles/six_line.yaml", ROOT / "hardware_profiles/bench_six_line.yaml"
BOOK = ROOT / "demo/orchard_fete.yaml"


def check(*words):
    return CliRunner().invoke(main, ["check", *map(str, words)])


def test_a_syrup_too_thick_for_its_tube_is_warned_of_with_ways_out(tmp_path):
    thick = tmp_path / "book.yaml"
    thick.write_text(BOOK.read_text(encoding="utf-8").replace("viscosity: 15.4 mPa*s", "viscosity: 900 mPa*s"))
    done = check("--profile", BENCH, "--book", thick, "--json")
    assert done.exit_code == 0
    (facts,) = json.loads(done.stdout)["suction"]
    assert "ginger syrup" in facts
    assert "kPa" in facts
    assert "bore" in facts


@pytest.mark.parametrize(("misfits", "code"), [([], 0), (["line 2, GPIO 4: 'lamp-daemon' holds it."], 1)])
def test_a_profile_is_held_against_the_board(mocker, misfits, code):
    compare = mocker.patch("controller.hal.chip_check.compare", return_value=misfits)
    done = check("--profile", SIX, "--on-board")
    assert compare.call_count == 1
    assert done.exit_code == code
    assert ("lamp-daemon" in done.output) == bool(misfits)
    assert ("fit the profile" in done.output) == (not misfits)


def test_a_simulated_machine_has_no_board_to_be_held_against():
    done = check("--profile", BENCH, "--on-board")
    assert done.exit_code == 1
    assert "simulated" in done.output
    assert check("--book", BOOK, "--on-board").exit_code == 2
