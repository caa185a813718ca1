"""A journal outlives changes of the profile and of its type: caps, lines and inputs that were added or removed."""

import msgspec
import pytest
from msgspec.structs import replace

from controller.model.messages import Ended, Event, Report
from controller.model.profile import Caps
from controller.model.states import Contents, MachineState
from controller.safety.records import CapChanged
from tests.guard.guard_parts import CAPS, GLASS, TRAY, Rig, line, pouring, profile, records

OF_CAPS = msgspec.to_builtins(CAPS)


class MoreCaps(Caps, frozen=True, kw_only=True):
    """What the type may look like after an upgrade."""

    fruit_g: float


def without(cap: str):
    """The type of caps without this one, and its value."""
    kept = [(one.name, one.type) for one in msgspec.structs.fields(Caps) if one.name != cap]
    fewer = msgspec.defstruct("FewerCaps", kept, frozen=True, kw_only=True)
    return fewer(**{name: OF_CAPS[name] for name, _ in kept})


def started_with(rig: Rig, machine) -> tuple[Report, list[Event]]:
    """The guard begins anew with this profile; what it says to its engine."""
    rig.guard.client_gone("engine")
    rig.machine, rig.boot = machine, "b2"
    rig.start_guard()
    rig.run(0.5, beat=False)
    return rig.hello()


@pytest.mark.parametrize(
    ("caps", "changed"),
    [
        (MoreCaps(**OF_CAPS, fruit_g=5.0), CapChanged(cap="fruit_g", old=None, new=5.0)),
        (without("held_s"), CapChanged(cap="held_s", old=60.0, new=None)),
        (replace(CAPS, jog_s=2.0), CapChanged(cap="jog_s", old=1.0, new=2.0)),
    ],
)
def test_a_cap_that_was_added_removed_or_changed_is_written_down_and_nothing_is_damaged(caps, changed):
    rig = Rig().primed(1)
    before = rig.report().lines
    report = started_with(rig, replace(profile(), caps=caps))[0]
    assert (report.state, report.fault, report.lines) == (MachineState.IDLE, None, before)
    assert [one.record for one in records(rig.journal) if isinstance(one.record, CapChanged)] == [changed]
    assert started_with(rig, profile())[0].fault is None  # and back


def test_lines_and_inputs_may_come_and_go():
    rig = Rig(profile(glass=GLASS))
    rig.board.contacts |= {"glass": False, "drip tray": False}
    rig.primed(1, 2)
    fewer = replace(profile(drip_tray=TRAY), lines=tuple(line(number) for number in (2, 3)))
    report = started_with(rig, fewer)[0]
    assert (report.fault, [one.line for one in report.lines]) == (None, [2, 3])
    more = replace(profile(), lines=tuple(line(number) for number in range(1, 7)))
    report = started_with(rig, more)[0]
    assert (report.fault, [one.line for one in report.lines]) == (None, [1, 2, 3, 4, 5, 6])
    assert [one.contents for one in report.lines[:2]] == [Contents.LIQUID, Contents.LIQUID]


def test_a_line_that_was_removed_after_a_crash_in_mid_pour_is_no_obstacle():
    rig = Rig().primed(1, 2)
    pouring(rig)
    report, (*_, ended) = started_with(rig, replace(profile(), lines=(line(2),)))
    assert (report.fault, [one.line for one in report.lines]) == (None, [2])
    assert isinstance(ended, Ended)
