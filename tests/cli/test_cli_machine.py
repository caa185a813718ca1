"""Commands on a profile: wiring and budget."""

import json
from pathlib import Path

import pytest

from controller.sequencing.budget import BudgetRow, SupplyBudget

PROFILES = Path(__file__).parents[2] / "hardware_profiles"


def test_wiring_holds_every_relay_of_an_active_low_board_at_a_high_level(tundish):
    facts = json.loads(tundish("wiring", "--profile", str(PROFILES / "six_line.yaml"), "--json").stdout)
    relays = [row["gpio"] for row in facts["rows"] if row["channel"] is not None]
    assert facts["boot_lines"] == [f"gpio={gpio}=op,dh" for gpio in relays]
    assert len(relays) == 6


def test_wiring_holds_every_relay_of_an_active_high_board_at_a_low_level(tundish):
    shown = tundish("wiring", "--profile", str(PROFILES / "four_line_active_high.yaml"))
    assert shown.exit_code == 0
    assert shown.output.count("=op,dl") == 4
    assert "=op,dh" not in shown.output


def test_wiring_shows_the_main_relay_and_holds_it_open_by_its_own_level(tundish):
    facts = json.loads(tundish("wiring", "--profile", str(PROFILES / "eight_line.yaml"), "--json").stdout)
    assert facts["boot_lines"][0] == "gpio=25=op,dl"
    rows = {row["gpio"]: row["what"] for row in facts["rows"]}
    assert rows[25] == "main relay, on at a high level"
    assert rows[18] == "current, normally open"


def test_wiring_tells_which_boot_lines_the_profile_lacks(tundish, tmp_path):
    text = (PROFILES / "four_line_active_high.yaml").read_text()
    assert "boot_lines" not in text
    profile = tmp_path / "profile.yaml"
    profile.write_text(text.replace("  backend:", '  boot_lines: ["gpio=22=op,dl"]\n  backend:', 1))
    facts = json.loads(tundish("wiring", "--profile", str(profile), "--json").stdout)
    assert set(facts["boot_lines"]) - set(facts["missing_boot_lines"]) == {"gpio=22=op,dl"}


def test_header_pins_are_those_of_the_40_pin_header(tundish):
    """GPIO 17 is pin 11, GPIO 27 pin 13, GPIO 4 pin 7: the board vendor's GPIO documentation."""
    facts = json.loads(tundish("wiring", "--profile", str(PROFILES / "six_line.yaml"), "--json").stdout)
    pins = {row["gpio"]: row["header_pin"] for row in facts["rows"]}
    assert (pins[17], pins[27], pins[4]) == (11, 13, 7)


@pytest.mark.parametrize("name", ["six_line", "eight_line", "four_line_active_high"])
def test_a_shipped_machine_has_current_for_its_pumps(tundish, name):
    shown = tundish("budget", "--profile", str(PROFILES / f"{name}.yaml"))
    assert shown.exit_code == 0
    assert "EXCEEDED" not in shown.output
    facts = json.loads(tundish("budget", "--profile", str(PROFILES / f"{name}.yaml"), "--json").stdout)
    assert facts["problems"] == []
    assert facts["left_a"] >= facts["current_limit_a"] > 0


def test_a_budget_that_is_exceeded_says_so_in_words_and_ends_with_1(tundish, monkeypatch):
    found = SupplyBudget(
        rows=(
            BudgetRow(name="pumps, running", value=2.9, unit="A", limit=2.5, margin=-0.4, note="all six"),
            BudgetRow(name="lamps", value=0.15, unit="A"),
        ),
        left_a=2.5,
        current_limit_a=2.5,
        pumps_at_once=0,
        pumps_started=0,
        problems=("line 4 draws 2.9 A, 2.5 A are left.",),
    )
    monkeypatch.setattr("controller.cli.setup.budget.supply_budget", lambda _profile: found)
    shown = tundish("budget", "--profile", str(PROFILES / "six_line.yaml"))
    assert shown.exit_code == 1
    assert "-0.40 A  EXCEEDED  all six" in shown.output
    assert "line 4 draws 2.9 A" in shown.output


def test_a_broken_profile_is_2_with_every_problem(tundish, tmp_path):
    profile = tmp_path / "profile.yaml"
    profile.write_text((PROFILES / "six_line.yaml").read_text().replace("gpio: 4", "gpio: 2", 1) + "\nnonsense: 1\n")
    for command in ("wiring", "budget", "check"):
        shown = tundish(command, "--profile", str(profile), "--json")
        assert shown.exit_code == 2
        assert len(json.loads(shown.stderr)["problems"]) >= 2
