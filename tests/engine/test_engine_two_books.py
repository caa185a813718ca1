"""What the engine tells guests while books before are stricter: the guard says so, line by line."""

import pytest
from msgspec.structs import replace

from controller.errors import Refused
from controller.model.evening import ChangeRequest
from controller.model.labels import GlassSize, Label
from controller.model.messages import LineChanged, Start, TakeBook
from controller.model.requests import GlassesRequest, PourRequest
from controller.model.states import Contents
from tests.engine.played_guard import BOOK, Desk, report

DAY_S = 86400.0
CORDIAL, JUICE = "blackcurrant cordial", "apple juice"
SPRITZ = "Blackcurrant Spritz"


def heard(line=2, **changes):
    """A report of the guard in which one line differs."""
    said = report()
    lines = tuple(replace(one, **changes) if one.line == line else one for one in said.lines)
    return replace(said, lines=lines)


def entry(desk, recipe=SPRITZ):
    return next(one for one in desk.engine.menu() if one.recipe == recipe)


def test_the_menu_has_the_stricter_strength_and_allergens_and_drops_them_with_the_bottle():
    desk = Desk(report())
    plain = entry(desk)
    assert plain.ethanol_g == 0.0
    desk.engine.on_event(heard(labels=(Label(liquid=CORDIAL, abv_percent=20.0, allergens=("sulphites",)),)))
    strict = entry(desk)
    dose_ml = 25.0  # of cordial, by the recipe; 0.78924 g/mL of ethanol: OIML R 22
    assert strict.ethanol_g == pytest.approx(dose_ml * 0.20 * 0.78924)
    assert "sulphites" in strict.allergens
    line = next(one for one in report().lines if one.line == 2)
    desk.engine.on_event(LineChanged(report=line))
    assert entry(desk) == plain


def test_an_old_strength_that_cannot_go_with_the_present_sugar_still_counts():
    """80 % vol and 60 Brix in one liquid: no such liquid is known to the density formula."""
    desk = Desk(heard(labels=(Label(liquid=CORDIAL, abv_percent=80.0),)))
    assert entry(desk).ethanol_g == pytest.approx(25.0 * 0.80 * 0.78924)


def test_stock_and_hygiene_go_by_the_shorter_life_and_the_stricter_care():
    label = Label(liquid=CORDIAL, opened_life_s=DAY_S)
    desk = Desk(heard(labels=(label,), filled_wall_s=0.0, opened_wall_s=0.0))
    opened_s = desk.engine.stock.view(2).opened_wall_s
    assert desk.engine.stock.view(2).keeps_until_wall_s == opened_s + DAY_S
    desk.clock.move_to(desk.clock.now_s() + 2 * DAY_S)
    assert any("past its time" in reason.text for reason in desk.engine.hygiene.overdue()[2])
    assert any("past its time" in reason for reason in entry(desk).missing)


def test_care_of_what_was_rinsed_out_still_counts():
    """Wetted by something perishable, rinsed with water, filled anew: four hours after the first it is due."""
    desk = Desk(heard(cares=("perishable",), wetted_wall_s=0.0))
    desk.clock.move_to(desk.clock.now_s() + 5 * 3600.0)
    assert any("cleaning due since" in reason.text for reason in desk.engine.hygiene.overdue()[2])


def test_traces_of_an_allergen_told_late_are_due_for_cleaning_before_anything_is_planned():
    desk = Desk(heard(traces=("nuts",), drawn=(CORDIAL, "perry")))
    assert "line 2: cleaning due: traces of nuts may be in it" in entry(desk).missing
    with pytest.raises(Refused, match="traces of nuts"):
        desk.engine.pour(PourRequest(recipe=SPRITZ))
    assert "nuts" in entry(desk, "Orchard Fizz").may_contain


def test_a_glass_counts_as_the_smaller_one_until_somebody_has_looked():
    glass = BOOK.recipe(SPRITZ).glass
    small = replace(report(), glasses=(GlassSize(glass=glass, brim_ml=110.0, usable_ml=100.0),))
    desk = Desk(small)
    assert any(f"the {glass} counts as 100 mL" in reason for reason in entry(desk).missing)
    assert entry(desk).offer is None
    with pytest.raises(Refused, match="counts as 100 mL"):
        desk.engine.pour(PourRequest(recipe=SPRITZ))
    assert [(one.glass, one.counted.brim_ml) for one in desk.engine.counted_smaller()] == [(glass, 110.0)]
    desk.engine.confirm_glasses(GlassesRequest(glasses=(glass,)))
    assert desk.of(TakeBook) == [TakeBook(mark=BOOK.mark, larger_glasses=(glass,))]
    desk.engine.on_event(report())
    assert entry(desk).missing == ()


def test_only_a_glass_that_is_asked_about_can_be_confirmed():
    desk = Desk(report())
    with pytest.raises(Refused, match="nothing is asked about tumbler"):
        desk.engine.confirm_glasses(GlassesRequest(glasses=("tumbler",)))
    assert desk.of(TakeBook) == []


def test_figures_of_earlier_books_that_still_hold_are_listed_by_line():
    desk = Desk(heard(labels=(Label(liquid=CORDIAL, abv_percent=20.0, allergens=("nuts",), opened_life_s=7200.0),)))
    (said,) = desk.engine.held_figures()
    assert said.startswith("line 2: its blackcurrant cordial was there before this book")
    assert "20 % vol, allergens nuts, keeps 2 h" in said


def test_a_purge_in_a_guided_change_is_one_in_air():
    desk = Desk(report(contents=Contents.LIQUID))
    desk.engine.sequences.change(ChangeRequest(line=2, liquid=JUICE, container_ml=700.0))
    desk.engine.sequences.next("change", 2)
    asked = desk.sent[-1]
    assert isinstance(asked, Start)
    assert asked.operation.in_air is True
