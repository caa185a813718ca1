"""The units as systemd's own tools see them, and what they promise to each other."""

import configparser
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
UNITS = ["tundish-guard.service", "tundish-engine.service", "tundish-scale.service"]
EXPOSURE = 2.0  # systemd-analyze's scale: 0 (sealed) to 10 (open)

needs_analyze = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")


class Repeated(dict[str, str]):
    """Keeps every value of a key that a unit file gives more than once."""

    def __setitem__(self, key, value):
        if isinstance(value, list) and key in self:
            value = [*self[key], *value]
        super().__setitem__(key, value)


def unit(name):
    parser = configparser.RawConfigParser(strict=False, delimiters="=", dict_type=Repeated, empty_lines_in_values=False)
    parser.optionxform = str  # type: ignore[assignment,method-assign]  # as the library's own pages say
    parser.read_string((ROOT / "systemd" / name).read_text())
    return {
        section: {key: value.split("\n") for key, value in parser[section].items()} for section in parser.sections()
    }


@pytest.fixture
def runnable(tmp_path):
    """Copies of the units whose program exists here, as the installation would write them."""
    for name in UNITS:
        text = (ROOT / "systemd" / name).read_text()
        (tmp_path / name).write_text(re.sub(r"/opt/tundish/bin/[a-z-]+", sys.executable, text))
    return tmp_path


@pytest.fixture
def on_the_lan(runnable):
    """The units with the drop-in that opens the engine to the local network."""
    folder = runnable / "tundish-engine.service.d"
    folder.mkdir()
    shutil.copy(ROOT / "systemd/tundish-engine-lan.conf", folder / "lan.conf")
    return runnable


def exposure(path):
    """The overall figure of systemd-analyze."""
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", path],
        capture_output=True,
        text=True,
        check=True,
    )
    level = re.search(rf"Overall exposure level for {path.name}: ([0-9.]+)", done.stdout)
    assert level is not None, done.stdout
    return float(level[1])


@needs_analyze
def test_systemd_verifies_the_units_without_complaint(runnable):
    done = subprocess.run(
        ["systemd-analyze", "verify", *(runnable / name for name in UNITS)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@needs_analyze
@pytest.mark.parametrize("name", UNITS)
def test_exposure_is_low(runnable, name):
    assert exposure(runnable / name) <= EXPOSURE


@needs_analyze
def test_exposure_is_low_on_the_local_network_too(on_the_lan):
    assert exposure(on_the_lan / "tundish-engine.service") <= EXPOSURE


@needs_analyze
def test_systemd_verifies_the_local_network_without_complaint(on_the_lan):
    done = subprocess.run(
        ["systemd-analyze", "verify", on_the_lan / "tundish-engine.service"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.parametrize("name", UNITS)
def test_service_is_watched_restarted_and_runs_as_its_own_user(name):
    service = unit(name)["Service"]
    assert service["Type"] == ["notify"]
    assert "WatchdogSec" in service
    assert service["Restart"] == ["always"]
    assert service["User"] == [name.removesuffix(".service")]
    assert service["Group"] == ["tundish"]


@pytest.mark.parametrize("name", UNITS)
def test_no_unit_sets_a_directive_twice(name):
    """Of a command that stands twice systemd runs both; of a value the last one counts."""
    for key, values in ((key, values) for section in unit(name).values() for key, values in section.items()):
        assert len(values) == 1 or key == "SystemCallFilter", (key, values)


def test_engine_waits_for_the_guard_but_does_not_fall_with_it():
    engine = unit("tundish-engine.service")["Unit"]
    assert engine["After"] == engine["Wants"] == ["tundish-guard.service"]
    assert not {"BindsTo", "Requires", "PartOf"} & engine.keys()


@pytest.mark.parametrize("name", UNITS)
def test_nothing_waits_for_the_network(name):
    ordered = [word for key in ("After", "Wants", "Requires", "BindsTo") for word in unit(name)["Unit"].get(key, [])]
    assert not [word for word in ordered if "network" in word]


@pytest.mark.parametrize("name", UNITS)
def test_only_unix_sockets_and_no_network(name):
    service = unit(name)["Service"]
    assert service["RestrictAddressFamilies"] == ["AF_UNIX"]
    assert service["PrivateNetwork"] == ["yes"]


def test_the_guard_has_the_gpio_chips_the_scale_its_bus_and_the_engine_no_device():
    guard, engine, scale = (unit(name)["Service"] for name in UNITS)
    assert guard["DevicePolicy"] == engine["DevicePolicy"] == scale["DevicePolicy"] == ["closed"]
    assert scale["DeviceAllow"] == ["/dev/i2c-1 rw"]
    assert guard["DeviceAllow"] == ["char-gpiochip rw"]
    assert engine["PrivateDevices"] == ["yes"]
    assert "DeviceAllow" not in engine
    assert "SupplementaryGroups" not in engine


def test_the_sentinel_outlives_the_guard_long_enough():
    """SIGTERM, which the sentinel ignores, to all that is left; SIGKILL only much later. Then all-off once more."""
    guard = unit("tundish-guard.service")["Service"]
    assert guard["KillMode"] == ["control-group"]
    assert guard["TimeoutStopSec"] == ["10s"]
    assert "all-off" in guard["ExecStopPost"][0]


def test_users_of_the_units_are_made():
    made = {
        words[1] for line in (ROOT / "systemd/tundish.sysusers").read_text().splitlines() if (words := line.split())
    }
    for name in UNITS:
        service = unit(name)["Service"]
        assert {*service["User"], *service["Group"], *service.get("SupplementaryGroups", [])} <= made


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="systemd-sysusers is not installed")
def test_sysusers_makes_them(tmp_path):
    (tmp_path / "etc" / "sysusers.d").mkdir(parents=True)
    shutil.copy(ROOT / "systemd/tundish.sysusers", tmp_path / "etc/sysusers.d/tundish.conf")
    done = subprocess.run(
        ["systemd-sysusers", f"--root={tmp_path}", "--dry-run", "tundish.conf"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "tundish-guard" in done.stdout + done.stderr
