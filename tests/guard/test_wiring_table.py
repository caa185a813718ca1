"""The recipes for an input and an output, followed: a door and a horn that only this test's profile knows.

Whatever is driven by the table must know both without another line of code.
"""

from pathlib import Path

import jsonschema
import pytest
import yaml
from msgspec.structs import asdict

from controller.bench.faults import InjectedFault
from controller.cli.setup.wiring import wiring_of
from controller.config.diagnostics import Notes
from controller.config.keys import Group
from controller.config.nodes import read_tree
from controller.config.profile_checks import check_profile
from controller.config.schemas import schema_of
from controller.config.walk import Walker
from controller.guard.alloff import all_off
from controller.guard.sentinel_link import pins_of
from controller.hal import chip_check
from controller.hal.board import ChipLine
from controller.model.messages import AskReport, Changed, Refusal, Start, Waiting
from controller.model.profile import Profile
from controller.model.states import MachineState
from controller.model.wiring import Contact, InputRole, Inputs, Output, OutputRole, Outputs
from tests.guard.bench_rig import BenchRig
from tests.guard.guard_parts import prime, profile

ROOT = Path(__file__).resolve().parents[2]
DOOR, HORN = 12, 13


class DoorContact(Contact, frozen=True, kw_only=True):
    """The door of the cabinet. At rest it is shut."""

    role = InputRole(
        name="door open", user="the door contact", effect="hold", is_active_unread=True,
        active="DOOR OPEN", rest="door shut", reason="the door is open", remedy="Shut it.",
    )  # fmt: skip


class Horn(Output, frozen=True, kw_only=True):
    """A horn."""

    role = OutputRole(name="horn", user="the horn", at_boot="it {} sound", is_on_while="pumps run")


class MoreInputs(Inputs, frozen=True, kw_only=True):
    door: DoorContact | None = None


class MoreOutputs(Outputs, frozen=True, kw_only=True):
    horn: Horn | None = None


class MoreProfile(Profile, frozen=True, kw_only=True):
    inputs: MoreInputs
    outputs: MoreOutputs = MoreOutputs()


def machine() -> MoreProfile:
    base = profile()
    door = DoorContact(gpio=DOOR, contact="normally_closed")
    return MoreProfile(
        **asdict(base)
        | {
            "inputs": MoreInputs(**asdict(base.inputs), door=door),
            "outputs": MoreOutputs(horn=Horn(gpio=HORN, active_level="low")),
        }
    )


@pytest.fixture
def rig():
    made = BenchRig(machine())
    yield made.ready()
    made.guard.close()


def written(text: str) -> tuple[Notes, MoreProfile]:
    notes = Notes(file="profile.yaml")
    tree = read_tree(text, notes)
    assert tree is not None
    found = Walker(notes, {}).read(tree, Group(cls=MoreProfile), "")
    check_profile(found, notes)
    assert isinstance(found.value, MoreProfile)
    return notes, found.value


def profile_text(door: str, horn: str) -> str:
    text = (ROOT / "hardware_profiles" / "bench_six_line.yaml").read_text()
    with_door = text.replace("inputs:\n", f"inputs:\n  door: {{gpio: {door}, contact: normally_closed}}\n")
    return with_door + f"\noutputs:\n  horn: {{gpio: {horn}, active_level: low}}\n"


def test_a_file_that_names_them_is_read_and_checked():
    notes, value = written(profile_text("12", "3"))
    assert notes.problems == []
    assert [row.name for row in value.input_table] == ["stop", "glass", "drip tray", "door open"]
    assert value.output_table[-1].name == "horn"
    taken, _ = written(profile_text("13", "13"))
    assert any("the door contact: GPIO 13 already serves the horn" in one.text for one in taken.problems)
    shorted, _ = written(profile_text("12", "3").replace("  backend:", '  boot_lines: ["gpio=12=op,dh"]\n  backend:'))
    assert any("the door contact: a boot line makes GPIO 12 an output" in one.text for one in shorted.problems)


def test_a_horn_that_would_sound_during_boot_is_warned_of_and_no_pump_is():
    notes, _ = written(profile_text("12", "13"))  # GPIO 13 is pulled down at power-on, and the horn is active-low
    assert notes.problems == []
    assert any("the horn is active-low: it would sound during boot" in one.text for one in notes.warnings)


def test_the_schema_of_the_file_has_them():
    schema = schema_of(MoreProfile, "profile")
    text = profile_text("12", "3")
    jsonschema.validate(yaml.safe_load(text), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(yaml.safe_load(text.replace("gpio: 12", "gpio: 99")), schema)


def test_the_sentinel_and_all_off_switch_the_horn_off(rig):
    assert pins_of(machine(), None).safe[HORN] is True
    told = [str(one) for one in all_off(machine(), Path("/nowhere/bench.sock"), try_s=0.0)]
    assert any(one.startswith(f"horn, GPIO {HORN}: could not be driven off") for one in told)


def test_the_wiring_lists_them():
    shown = wiring_of(machine(), [])
    rows = {row.gpio: row.what for row in shown.rows}
    assert (rows[DOOR], rows[HORN]) == ("door open, normally closed", "horn, on at a low level")
    assert f"gpio={HORN}=op,dh" in shown.missing_boot_lines


def test_the_chip_is_checked_for_them(monkeypatch):
    class Chip:
        @staticmethod
        def read_chip(_label):
            return [ChipLine(gpio, "", "another program" if gpio == HORN else "") for gpio in range(28) if gpio != DOOR]

    monkeypatch.setattr(chip_check, "load_driver", lambda _: Chip)
    found = chip_check.compare(machine())
    assert [one.split(":")[0] for one in found] == [f"horn, GPIO {HORN}", f"door open contact, GPIO {DOOR}"]


def test_the_guard_holds_by_the_door_reports_it_and_sounds_the_horn(rig):
    claims = [one.level for one in rig.plant.trace.levels(HORN)]
    assert claims == [True]  # its safe level from the first instant
    rig.say(Start(operation=prime(1, "apple juice")))
    rig.run(1)
    assert rig.plant.report().outputs == {"horn": True}
    rig.plant.set_input("door open", active=True)
    rig.run(0.1)
    assert (rig.of(Changed)[-1].state, rig.of(Changed)[-1].waiting_for) == (MachineState.HELD, "door open")
    assert rig.plant.report().outputs == {"horn": False}
    assert rig.say(AskReport())[0].inputs.others == {"door open": True}
    assert rig.of(Changed)[-1].waiting == Waiting(kind="input")


def test_nothing_begins_while_the_door_is_open_or_its_contact_stuck(rig):
    rig.plant.inject(InjectedFault(kind="input stuck", contact="door open", closed=False))
    rig.run(1)
    refused = [one for one in rig.say(Start(operation=prime(1, "apple juice"))) if isinstance(one, Refusal)]
    assert [(one.rule, one.reason, one.remedy) for one in refused] == [("door_open", "the door is open.", "Shut it.")]
