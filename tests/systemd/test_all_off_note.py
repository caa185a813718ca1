"""The note that a guard leaves before it claims a line, and the light command that acts on it after the guard's end."""

import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

from controller.guard import sentinel, service
from controller.guard.sentinel import Pins

PINS = Pins({5: True, 6: True}, chip="a chip that no computer has")


def test_the_note_holds_chip_and_safe_levels(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    service._leave_note(PINS)
    read = Pins.from_text((tmp_path / service.NOTE).read_text())
    assert (read.chip, read.bench, read.safe) == (PINS.chip, None, {5: True, 6: True})


def test_without_a_service_manager_no_note_is_left(tmp_path, monkeypatch):
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.chdir(tmp_path)
    service._leave_note(PINS)
    assert list(tmp_path.iterdir()) == []


def test_a_note_that_cannot_be_left_keeps_the_guard_from_going_on(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "missing"))
    with pytest.raises(OSError, match="missing"):
        service._leave_note(PINS)


def off(monkeypatch, note):
    monkeypatch.setattr(sys, "argv", ["tundish-all-off", str(note)])
    return sentinel.off()


def test_without_a_note_no_line_was_claimed_and_all_off_succeeds(tmp_path, monkeypatch):
    assert off(monkeypatch, tmp_path / "pins.json") == 0


def test_every_line_that_could_not_be_driven_off_is_reported(tmp_path, monkeypatch, capfd):
    (tmp_path / "pins.json").write_text(PINS.as_text())
    monkeypatch.setattr(sentinel, "drive_off", partial(sentinel.drive_off, try_s=0.0))
    assert off(monkeypatch, tmp_path / "pins.json") == 1
    told = capfd.readouterr().err
    assert "GPIO 5 could not be driven off" in told
    assert "GPIO 6 could not be driven off" in told


def test_all_off_imports_none_of_our_other_modules():
    code = "import sys; from controller.guard.sentinel import off; print(*sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    ours = {name for name in loaded if name.split(".")[0] == "controller"}
    assert ours == {"controller", "controller.guard", "controller.guard.sentinel"}
    assert not {"yaml", "pint", "click", "msgspec", "gpiozero"} & set(loaded)


def test_the_unit_names_the_note_where_the_guard_leaves_it():
    unit = (Path(__file__).resolve().parent.parent.parent / "systemd/tundish-guard.service").read_text()
    assert f"ExecStopPost=/opt/tundish/bin/tundish-all-off /run/tundish-guard/{service.NOTE}" in unit
    assert "RuntimeDirectory=tundish-guard" in unit
