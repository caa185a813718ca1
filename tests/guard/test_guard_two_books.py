"""A book is edited after a bottle was hung and a tube filled: the stricter of the two holds until both are changed."""

import pytest
from msgspec.structs import replace

from controller.model.book import Book
from controller.model.labels import Label
from controller.model.messages import Assign, Ended, LineReport, Refusal, Start
from controller.model.plan import Operation, Segment
from controller.model.profile import Hygiene
from controller.model.states import Contents, OperationKind, Outcome
from controller.safety.records import BookRead
from tests.guard.guard_parts import BOOK, Reading, line, prime, profile, records, run_of, serve, with_caps

GIN, TEA, JUICE = "sloe gin", "cold tea", "apple juice"


def edited(liquid: str, **figures: object) -> Book:
    """The book with other figures of one liquid."""
    liquids = tuple(replace(one, **figures) if one.liquid == liquid else one for one in BOOK.liquids)
    return replace(BOOK, liquids=liquids)


def pour(rig: Reading, number: int, liquid: str, seconds: float, name: str, **more: object) -> list[str]:
    """Ask for a serving of one line; the rules that refuse it, none when it was poured."""
    rig.run(3)
    operation = replace(serve(run_of(number, liquid, 0, seconds), name=name), **more)
    events = rig.say(Start(operation=operation))
    if refused := [one.rule for one in events if isinstance(one, Refusal)]:
        return refused
    rig.run(seconds + 1)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE
    return []


def care(rig: Reading, kind: OperationKind, number: int, seconds: float, *, in_air: bool = False) -> None:
    """Purge, clean or rinse one line."""
    operation = Operation(
        operation=f"{kind}-{rig.clock.now_s():g}",
        kind=kind,
        segments=(Segment(runs=(run_of(number, "water", 0, seconds),)),),
        jug=True,
        in_air=in_air,
    )
    assert not [one for one in rig.say(Start(operation=operation)) if isinstance(one, Refusal)]
    rig.run(seconds + 1)


def cleaned(rig: Reading, number: int) -> None:
    """Clean a line and rinse it; its pump rests in between."""
    care(rig, OperationKind.CLEAN, number, 20)
    rig.run(70)
    rinsed(rig, number)


def rinsed(rig: Reading, number: int) -> None:
    """Rinse a line to the end: five tube volumes are 62.8 mL, 53 s at the least that the pump moves."""
    care(rig, OperationKind.RINSE, number, 60)


class Bar(Reading):
    """A guard whose file is edited; its cleaner has done its work after a minute."""

    def __init__(self, *, book: Book = BOOK) -> None:
        machine = replace(with_caps(line_volume_ml=300), hygiene=Hygiene(cleaner_contact_s=60.0))
        super().__init__(machine, book=book)

    def restart(self, book: Book) -> None:
        """Another guard starts with the book as it is by now."""
        self.book = book
        self.start_guard()
        self.ready()

    def line(self, number: int) -> LineReport:
        return self.report().lines[number - 1]

    def books_read(self) -> list[BookRead]:
        """What the journal has of books."""
        return [one.record for one in records(self.journal) if isinstance(one.record, BookRead)]


@pytest.fixture
def bar() -> Bar:
    return Bar().primed(4)


WEAK = edited(GIN, abv_percent=1.0)
TOO_MUCH = 45.0  # s at 2 mL/s and 26 %: 18.5 g of ethanol, at the pump's most over 20 g, the cap; at 1 % 0.7 g


@pytest.fixture(params=["reload", "restart"])
def take(request):
    """Both ways in which a guard comes to another book."""
    return getattr(Bar, request.param)


def test_a_weaker_strength_counts_only_when_bottle_and_tube_are_changed(bar, take):
    take(bar, WEAK)
    assert pour(bar, 4, GIN, TOO_MUCH, "s1") == ["serving_ethanol"]
    bar.say(Assign(line=4, liquid=GIN))  # a new bottle; the old liquid stands in the tube
    assert pour(bar, 4, GIN, TOO_MUCH, "s2") == ["serving_ethanol"]
    care(bar, OperationKind.PURGE, 4, 20, in_air=True)
    bar.say(Start(operation=prime(4, GIN, name="p2")))
    bar.run(25)
    assert pour(bar, 4, GIN, TOO_MUCH, "s3") == []


def test_a_purge_alone_leaves_the_old_bottle(bar, take):
    take(bar, WEAK)
    care(bar, OperationKind.PURGE, 4, 20, in_air=True)
    bar.say(Start(operation=prime(4, GIN, name="p2")))
    bar.run(25)
    assert pour(bar, 4, GIN, TOO_MUCH, "s1") == ["serving_ethanol"]


def test_the_stricter_strength_holds_over_any_number_of_books_and_restarts(bar):
    bar.reload(WEAK)
    bar.restart(WEAK)
    bar.restart(edited(GIN, abv_percent=2.0))
    bar.reload(WEAK)
    assert pour(bar, 4, GIN, TOO_MUCH, "s1") == ["serving_ethanol"]
    assert bar.line(4).labels == (Label(liquid=GIN, abv_percent=26.0),)


def test_what_is_poured_counts_by_the_stricter_strength_too(bar, take):
    take(bar, WEAK)
    for name in ("s1", "s2", "s3"):  # 10.3 g or more each by the bottle's label
        assert pour(bar, 4, GIN, 25, name) == []
    assert pour(bar, 4, GIN, 60, "s4") == ["serving_ethanol", "hour_ethanol"]


def test_every_changed_figure_is_on_record_with_old_and_new(bar, take):
    other = edited(GIN, abv_percent=1.0, allergens=("sulphites",), opened_life_s=60.0, care="tea")
    take(bar, replace(other, glasses=(replace(BOOK.glasses[0], brim_ml=400.0),)))
    found = {(one.of, one.figure): (one.old, one.new) for one in bar.books_read()[-1].changed}
    assert found == {
        (GIN, "abv_percent"): ("26", "1"),
        (GIN, "allergens"): ("none", "sulphites"),
        (GIN, "opened_life_s"): ("none", "60"),
        (GIN, "care"): ("none", "tea"),
        ("tumbler", "brim_ml"): ("300", "400"),
    }


def test_the_same_book_once_more_is_not_worth_a_record(bar):
    before = len(bar.books_read())
    bar.restart(BOOK)
    assert len(bar.books_read()) == before


def test_a_longer_life_holds_only_for_the_next_bottle(take):
    bar = Bar(book=edited(JUICE, opened_life_s=60.0)).primed(1)
    take(bar, edited(JUICE, opened_life_s=3600.0))
    bar.run(70)
    assert pour(bar, 1, JUICE, 5, "s1") == ["freshness"]
    care(bar, OperationKind.PURGE, 1, 20, in_air=True)
    bar.say(Assign(line=1, liquid=JUICE))
    bar.say(Start(operation=prime(1, JUICE, name="p2")))
    bar.run(70)
    assert pour(bar, 1, JUICE, 5, "s2") == []


def test_a_shorter_life_holds_at_once(take):
    bar = Bar().primed(1)
    bar.run(70)
    take(bar, edited(JUICE, opened_life_s=60.0))
    assert pour(bar, 1, JUICE, 5, "s1") == ["freshness"]


def test_an_allergen_told_late_asks_for_cleaning_before_something_without_it(take):
    bar = Bar().primed(1)
    take(bar, edited(JUICE, allergens=("sulphites",)))
    assert bar.line(1).traces == ("sulphites",)
    bar.say(Assign(line=1, liquid=GIN))
    care(bar, OperationKind.PURGE, 1, 20, in_air=True)
    rinsed(bar, 1)
    events = bar.say(Start(operation=prime(1, GIN, name="p2")))
    assert [one.rule for one in events if isinstance(one, Refusal)] == ["cleaning"]
    cleaned(bar, 1)
    events = bar.say(Start(operation=prime(1, GIN, name="p3")))
    assert not [one for one in events if isinstance(one, Refusal)]


def test_an_allergen_told_of_what_was_in_the_tube_before_stops_what_is_in_it_now(take):
    """Juice, rinsed out with water, then gin: the book of now knows an allergen of the juice."""
    bar = Bar().primed(1)
    bar.say(Assign(line=1, liquid=GIN))
    care(bar, OperationKind.PURGE, 1, 20, in_air=True)
    rinsed(bar, 1)
    bar.say(Start(operation=prime(1, GIN, name="p2")))
    bar.run(60)
    assert pour(bar, 1, GIN, 5, "s1") == []
    take(bar, edited(JUICE, allergens=("sulphites",)))
    assert pour(bar, 1, GIN, 5, "s2") == ["cleaning"]


def test_an_allergen_that_leaves_the_book_stays_with_bottle_and_tube(take):
    bar = Bar().primed(3)
    take(bar, edited(TEA, allergens=()))
    assert (bar.line(3).traces, bar.line(3).labels) == (("milk",), (Label(liquid=TEA, allergens=("milk",)),))
    bar.say(Assign(line=3, liquid=GIN))
    care(bar, OperationKind.PURGE, 3, 20, in_air=True)
    rinsed(bar, 3)
    events = bar.say(Start(operation=prime(3, GIN, name="p2")))
    assert [one.rule for one in events if isinstance(one, Refusal)] == ["cleaning"]


def test_kinds_of_care_add_up_until_the_line_is_cleaned(take):
    bar = Bar(book=edited(JUICE, care="tea")).primed(1)
    take(bar, edited(JUICE, care="ordinary"))
    assert bar.line(1).cares == ("ordinary", "tea")
    care(bar, OperationKind.PURGE, 1, 20, in_air=True)
    cleaned(bar, 1)
    assert (bar.line(1).cares, bar.line(1).drawn) == ((), ())


def test_a_larger_glass_is_asked_about_once(bar, take):
    large = replace(BOOK, glasses=(replace(BOOK.glasses[0], brim_ml=500.0, usable_ml=450.0),))
    take(bar, large)
    assert [(one.brim_ml, one.usable_ml) for one in bar.report().glasses] == [(300.0, 250.0)]
    bar.primed(1)
    too_much = serve(run_of(1, JUICE, 0, 90), run_of(4, GIN, 0, 30), run_of(1, JUICE, 95, 10), name="s1")
    assert "glass" in [one.rule for one in bar.say(Start(operation=too_much)) if isinstance(one, Refusal)]
    bar.reload(large, "tumbler")
    assert bar.report().glasses == ()
    bar.restart(large)
    assert bar.report().glasses == ()


def test_a_smaller_glass_counts_at_once(bar, take):
    take(bar, replace(BOOK, glasses=(replace(BOOK.glasses[0], brim_ml=60.0, usable_ml=50.0),)))
    assert pour(bar, 4, GIN, 30, "s1") == ["glass"]


def test_a_purge_with_the_container_still_there_leaves_its_traces():
    """Nobody has said that the suction tube hangs in air: what hangs there may stand in the tube."""
    bar = Bar().ready()
    care(bar, OperationKind.PURGE, 3, 20)
    found = bar.line(3)
    assert (found.contents, found.residues, found.traces) == (Contents.EMPTY, (TEA,), ("milk",))
    bar.say(Assign(line=3, liquid=GIN))
    events = bar.say(Start(operation=prime(3, GIN, name="p2")))
    assert sorted(one.rule for one in events if isinstance(one, Refusal)) == ["cleaning", "rinsing"]


def test_a_purge_after_cleaning_leaves_traces_and_one_in_air_does_not():
    bar = Bar().primed(3)
    care(bar, OperationKind.PURGE, 3, 20, in_air=True)
    cleaned(bar, 3)
    care(bar, OperationKind.PURGE, 3, 20, in_air=True)
    assert (bar.line(3).contents, bar.line(3).traces) == (Contents.EMPTY, ())
    care(bar, OperationKind.PURGE, 3, 20)
    assert (bar.line(3).contents, bar.line(3).traces) == (Contents.EMPTY, ("milk",))


def renumbered(*pairs: tuple[int, int]):
    """The profile with these numbers for the pins of these lines: (pin's line before, number now)."""
    return replace(profile(), lines=tuple(replace(line(before), line=now) for before, now in pairs))


def test_a_line_under_another_number_keeps_what_it_holds_and_its_traces():
    bar = Bar().primed(3)
    bar.machine = renumbered((1, 1), (2, 2), (3, 7), (4, 4))
    bar.restart(BOOK)
    found = {one.line: one for one in bar.report().lines}[7]
    assert (found.contents, found.holds, found.traces, found.liquid) == (Contents.LIQUID, TEA, ("milk",), None)
    bar.say(Assign(line=7, liquid=TEA))
    assert pour(bar, 7, TEA, 5, "s1") == []


def test_lines_that_change_numbers_change_contents_and_keep_the_traces_of_both():
    bar = Bar().primed(1, 3)
    bar.machine = renumbered((3, 1), (2, 2), (1, 3), (4, 4))
    bar.restart(BOOK)
    lines = {one.line: one for one in bar.report().lines}
    assert (lines[1].holds, lines[3].holds) == (TEA, JUICE)
    assert (lines[1].traces, lines[3].traces) == (("milk",), ("milk",))
    bar.say(Assign(line=1, liquid=JUICE))  # the labels hung on as they were
    assert pour(bar, 1, JUICE, 5, "s1") == ["contents"]


def test_a_pin_that_comes_back_comes_back_with_its_tube():
    bar = Bar().primed(3)
    bar.machine = renumbered((1, 1), (2, 2), (4, 3))
    bar.restart(BOOK)
    bar.restart(BOOK)
    bar.machine = renumbered((1, 1), (2, 2), (4, 3), (3, 4))
    bar.restart(BOOK)
    found = {one.line: one for one in bar.report().lines}[4]
    assert (found.contents, found.holds, found.traces) == (Contents.LIQUID, TEA, ("milk",))
