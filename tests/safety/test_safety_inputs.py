import math

import pytest

from controller.model.wiring import Contact
from controller.safety.inputs import Contacts
from tests.guard.guard_parts import GLASS, LEVEL_1, TRAY, profile

ALL = {"stop": True, "glass": False, "drip tray": False, "level 1": False}


def contacts() -> Contacts:
    return Contacts(profile(glass=GLASS, drip_tray=TRAY, levels=(LEVEL_1,)).inputs)


def settled(**closed: bool) -> Contacts:
    found = contacts()
    reading = ALL | closed
    found.read(0.0, reading)
    found.read(0.3, reading)
    return found


def test_before_the_first_reading_everything_is_unsafe():
    report = contacts().report()
    assert report.stop_pressed is True
    assert report.glass_present is False
    assert report.tray_full is True
    assert report.low_lines == (1,)
    assert contacts().doubt(0.0, moving=False) == ""
    assert not contacts().settled


def test_at_rest_and_active():
    report = settled().report()
    assert (report.stop_pressed, report.glass_present, report.tray_full, report.low_lines) == (False, False, False, ())
    report = settled(stop=False, glass=True, **{"drip tray": True, "level 1": True}).report()
    assert (report.stop_pressed, report.glass_present, report.tray_full, report.low_lines) == (True, True, True, (1,))


def test_a_contact_that_the_profile_lacks_reads_none():
    report = Contacts(profile().inputs).report()
    assert (report.glass_present, report.tray_full, report.low_lines) == (None, None, ())


def test_a_normally_closed_contact_reads_the_other_way_round():
    found = Contacts(profile(glass=Contact(gpio=18, contact="normally_closed")).inputs)
    for now_s in (0.0, 0.3):
        found.read(now_s, {"stop": True, "glass": False})
    assert found.report().glass_present is True


def test_a_bounce_is_not_believed_and_a_change_is_after_its_time():
    found = settled()
    found.read(1.00, ALL | {"stop": False})
    assert not found.stop_open
    assert found.look_s == pytest.approx(1.02)
    found.read(1.01, ALL)
    found.read(1.015, ALL | {"stop": False})
    found.read(1.034, ALL | {"stop": False})
    assert not found.stop_open  # 19 ms
    found.read(1.035, ALL | {"stop": False})
    assert found.stop_open


def test_a_contact_that_never_settles_contradicts_itself():
    found = settled()
    now_s = 1.0
    for step in range(11):
        assert found.doubt(now_s, moving=False) == ""
        now_s = 1.0 + 0.01 * step
        found.read(now_s, ALL | {"glass": step % 2 == 0})
    assert found.doubt(now_s, moving=False) == "the glass contact keeps changing"
    found.read(now_s + 0.01, ALL)
    found.read(now_s + 0.05, ALL)
    assert found.doubt(now_s + 0.05, moving=False) == ""


def test_readings_age_while_something_moves():
    found = settled()
    assert found.doubt(0.5, moving=True) == ""
    assert found.doubt(0.56, moving=True) == "no reading of the contacts for 0.25 s"
    assert found.doubt(100.0, moving=False) == ""
    found.read(1.0, ALL)
    assert found.doubt(1.25, moving=True) == ""  # just as old as it may be


def test_an_unreadable_contact_is_in_doubt_until_the_next_reading():
    found = settled()
    found.read(1.0, {})
    assert "cannot read stop, glass, drip tray, level 1" in found.doubt(1.0, moving=False)
    found.read(1.1, ALL)
    assert found.doubt(1.1, moving=True) == ""
    found.read(1.2, {"stop": True})
    assert "glass" in found.doubt(1.2, moving=False)


def test_slow_polls_settle_as_well():
    found = contacts()
    found.read(0.0, ALL)
    found.read(5.0, ALL | {"glass": True})
    assert found.doubt(5.0, moving=False) == ""
    assert found.look_s == pytest.approx(5.02)
    found.read(5.02, ALL | {"glass": True})
    assert found.report().glass_present is True


def test_a_contact_never_read_is_stale_as_soon_as_something_moves():
    assert contacts().doubt(0.0, moving=True) == "no reading of the contacts for 0.25 s"


def test_settled_means_all_of_them():
    slow = Contact(gpio=18, contact="normally_open", debounce_s=0.5)
    found = Contacts(profile(glass=slow).inputs)
    for now_s, is_settled in ((0.0, False), (0.1, False), (0.5, True)):
        found.read(now_s, {"stop": True, "glass": True})
        assert found.settled is is_settled


def test_nothing_is_waited_for_while_contacts_cannot_be_read():
    found = settled()
    found.read(1.0, ALL | {"glass": True})
    assert found.look_s < math.inf
    found.read(1.01, {})
    assert found.look_s == math.inf
