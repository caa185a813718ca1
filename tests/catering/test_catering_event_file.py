"""Event files: read strictly, every problem at once, with its place and remedy."""

import pytest

from controller.config import load_event
from controller.errors import FileProblems
from controller.model.event import seconds_between, seconds_of_day
from tests.catering.evening_parts import BOOKS, PROFILE, ROOT

TEXT = (ROOT / "demo" / "fete_event.yaml").read_text(encoding="utf-8")
BOOK = ROOT / "demo" / BOOKS["fete"]


def problems(folder, text, *, book=BOOK, profile=PROFILE):
    path = folder / "event.yaml"
    path.write_text(text, encoding="utf-8")
    try:
        load_event(path, profile, book)
    except FileProblems as error:
        return error.problems
    return []


# Old text, new text, where the new text goes wrong (from its beginning), and what the refusal must say.
WRONG = [
    ('starts: "14:00"', "starts: 14:00", "14:00", ("a number", "quotes")),
    ('starts: "14:00"', 'starts: "24:00"', '"24', ("not a time of day", '"14:30"')),
    ('starts: "14:00"', 'starts: "2 pm"', '"2 pm', ("not a time of day",)),
    ('ends: "22:00"', 'ends: "14:00"', '"14', ("it ends when it starts",)),
    ("guests: 96", "guests: 0", "0", ("at least 1",)),
    ("guests: 96", "guests: 5000", "5000", ("more than 10000 drinks",)),
    ("mean: 2.5", "mean: 0", "0", ("above 0",)),
    ("distribution: overdispersed", "distribution: poison", "poison", ("Did you mean poisson?",)),
    ("distribution: overdispersed, ", "", "", ("poisson number of drinks has no standard deviation",)),
    (", standard_deviation: 1.8", "", "", ("overdispersed needs a standard_deviation; more than 1.58",)),
    ("standard_deviation: 1.8", "standard_deviation: 1.5", "1.5", ("not more than the 1.58", "distribution: poisson")),
    ('profile: peak, peak_at: "18:30", peak_lasts: 2 h, ', "profile: even, ", "", ("have no peak",)),
    (", peak_share: 35 %", "", "", ("a peak needs peak_share",)),
    ('peak_at: "18:30"', 'peak_at: "21:30"', "", ("does not lie within 14:00 to 22:00",)),
    ("peak_share: 35 %", "peak_share: 135 %", "135", ("too much",)),
    ("recipe: Lime Soda", "recipe: Lime Sod", "Lime Sod", ('no recipe "Lime Sod"', 'Did you mean "Lime Soda"?')),
    ("recipe: Lime Soda", "recipe: Orchard Fizz", "Orchard", ("is on it already, in line 13",)),
    ("weight: 5", "weight: 0", "0", ("above 0",)),
    ("service_level: 95 %", "service_level: 100 %", "100", ("the most is 0.999",)),
    ("{liquid: soda,", "{liquid: sodda,", "sodda", ('Did you mean "soda"?',)),
    ("container: 5 L", "container: 5 oz", "5 oz", ("is a mass",)),
    ("container: 5 L", "container: 15 mL", "15", ("leaves 20 mL",)),
    ("container: 3 L}\n  - {liquid: soda", "container: 3 L}\n  - {liquid: cold tea", "", ()),
    ("lines: fixed", "lines: loose", "loose", ("not one of: fixed, free",)),
    ("residue: 20 mL", "residue: 20", "20", ("no unit",)),
    ("order: 8 s", "order: 8 mL", "8 mL", ("is a volume",)),
    ("order: 8 s", "odrer: 8 s", "odrer", ('Did you mean "order"?',)),
]


@pytest.mark.parametrize(("old", "new", "at", "parts"), WRONG)
def test_refuses_with_place_and_way_out(tmp_path, old, new, at, parts):
    assert TEXT.count(old) >= 1
    text = TEXT.replace(old, new, 1)
    found = problems(tmp_path, text)
    if not parts:
        assert found == [], "an added size is no mistake"
        return
    assert len(found) == 1, found
    for part in parts:
        assert part in found[0].text
    if at:
        start = TEXT.index(old) + new.index(at)
        before = text[:start]
        assert (found[0].line, found[0].column) == (before.count("\n") + 1, len(before) - before.rfind("\n"))


def test_event_profile_and_book_tell_all_their_problems_at_once(tmp_path):
    book = tmp_path / "book.yaml"
    book.write_text(BOOK.read_text(encoding="utf-8").replace("usable: 270 mL", "usable: 270", 1), encoding="utf-8")
    profile = tmp_path / "profile.yaml"
    profile.write_text(PROFILE.read_text(encoding="utf-8").replace("rated: 5 A", "rated: 5 V", 1), encoding="utf-8")
    wrong = TEXT.replace("guests: 96", "guests: none", 1).replace("weight: 2}", "weight: -2}", 1)
    found = problems(tmp_path, wrong, book=book, profile=profile)
    assert [one.file.rsplit("/", 1)[1] for one in found] == ["book.yaml", "event.yaml", "event.yaml", "profile.yaml"]


def test_free_lines_let_a_book_hold_liquids_that_are_on_none(tmp_path):
    book = tmp_path / "book.yaml"
    text = BOOK.read_text(encoding="utf-8").replace("  - {line: 5, liquid: cold tea, container: 3 L}\n", "")
    book.write_text(text, encoding="utf-8")
    assert any("is on no line of the book. Hang it" in one.text for one in problems(tmp_path, TEXT, book=book))
    free = TEXT.replace("lines: fixed", "lines: free")
    assert problems(tmp_path, free, book=book) == []
    unsold = free.replace("  - {liquid: cold tea, container: 3 L}\n", "")
    (found,) = problems(tmp_path, unsold, book=book)
    assert "Say under on_sale what containers it comes in" in found.text


def test_a_missing_file_is_one_problem(tmp_path):
    with pytest.raises(FileProblems) as error:
        load_event(tmp_path / "none.yaml", PROFILE, BOOK)
    assert ["cannot be read" in one.text for one in error.value.problems] == [True]


def test_events_may_pass_midnight():
    supper, _, _, _ = load_event(ROOT / "demo" / "supper_event.yaml", PROFILE, ROOT / "demo" / BOOKS["supper"])
    assert supper.lasts_s == 6 * 3600.0
    assert [supper.clock(at_s) for at_s in (0.0, 59.9, 5.5 * 3600, 6 * 3600)] == ["18:30", "18:30", "00:00", "00:30"]
    assert seconds_between("10:00", "10:00") == 86_400.0
    assert seconds_of_day("23:59") == 86_340.0
