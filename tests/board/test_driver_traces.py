"""The judge of the driver's traces, without a board."""

from pathlib import Path

import pytest

from controller.config import load_profile
from tests.board import __main__ as board
from tests.board import driver_traces

PROFILES = Path(__file__).resolve().parents[2] / "hardware_profiles"


@pytest.mark.parametrize(
    ("name", "persist", "gpio", "sequence"),
    [
        ("six_line", True, 2, "high low high low high low high"),
        ("six_line", True, 4, "high low high low high low high"),
        ("six_line", True, 8, "high"),
        ("six_line", False, 4, "high low high input high low input high low high input"),
        ("four_line_active_high", False, 27, "low input low input low input"),
    ],
)
def test_the_expected_trace_of_three_starts(name, persist, gpio, sequence):
    profile, _ = load_profile(PROFILES / f"{name}.yaml")
    assert driver_traces.expected(profile, persist=persist)[gpio] == sequence.split()


def test_a_pulse_counts_as_an_edge_and_a_bus_function_does_not():
    assert driver_traces.driven(["alt0", "input", "high"]) == ["high"]
    assert driver_traces.driven(["input", "low", "high"]) == ["low", "high"]


@pytest.mark.parametrize("main", [driver_traces.main, board.main])
def test_a_run_that_was_asked_for_and_did_not_happen_has_failed(capsys, tmp_path, main):
    assert main(["--rig", str(tmp_path)]) == 1
    assert f"not run: there is no rig.py in {tmp_path}" in capsys.readouterr().out
    with pytest.raises(SystemExit, match="2"):
        main([])
