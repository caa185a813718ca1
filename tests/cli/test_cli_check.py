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


EIGHT = ROOT / "hardware_profiles/eight_line.yaml"


@pytest.fixture
def two_machines(tmp_path):
    """Two copies of the eight-line machine on one supply of 12 A, each with these changes to its text."""

    def written(left=(), right=()):
        paths = []
        for name, changes in (("left", left), ("right", right)):
            text = EIGHT.read_text(encoding="utf-8")
            shared = (
                ("machine: eight-line machine", f"machine: {name}"),
                ("  rated: 5 A", "  rated: 12 A\n  shared_as: table"),
            )
            for before, after in (*shared, *changes):
                assert text.count(before) == 1, before
                text = text.replace(before, after)
            paths.append(tmp_path / f"{name}.yaml")
            paths[-1].write_text(text, encoding="utf-8")
        return paths

    return written


def test_two_machines_whose_caps_add_up_may_share_a_supply(two_machines):
    """Each: 3.4 A for pumps and 0.75 A besides, 8.30 A in all; all evening the supply gives 0.8 of 12 A, 9.6 A."""
    done = check(*two_machines())
    assert (done.exit_code, done.output) == (0, "left and right: can share the supply table.\n")
    told = json.loads(check(*two_machines(), "--json").stdout)
    assert told == {"machines": ["left", "right"], "problems": []}


@pytest.mark.parametrize(("right", "said"), [
    ((("  current: 3.4 A", "  current: 8 A"),), "0.89 A too much. Lower caps: current"),
    ((("  shared_as: table", "  shared_as: bar"),), "do not name the same supply"),
    ((("  shared_as: table", ""),), "do not name the same supply"),
    ((("machine: right", "machine: left"),), "two profiles are of one machine"),
    ((("  rated: 12 A", "  rated: 10 A"),), "supply rated_a differs: 12, 10"),
    ((("  voltage: 12 V", "  voltage: 13 V"),), "supply voltage_v differs: 12, 13"),
])  # fmt: skip
def test_two_machines_that_may_not_share_a_supply_learn_why_and_what_to_change(two_machines, right, said):
    done = check(*two_machines(right=right))
    assert done.exit_code == 2
    assert "cannot share a supply" in done.output
    assert said in done.output


def test_machines_that_share_are_named_both_and_alone(two_machines):
    left, right = two_machines()
    assert check(left).exit_code == 2
    assert "name two profiles" in check(left).output
    assert check(left, right, "--book", BOOK).exit_code == 2
