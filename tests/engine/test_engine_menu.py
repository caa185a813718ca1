"""The menu: what stands between a drink and the glass, how it can be had all the same, and what is in it."""

import pytest
from msgspec.structs import replace

from controller.config import load_book
from controller.engine.background import Work
from controller.engine.menu import Menu, Shelf, missing, sources_for
from controller.engine.slices import at_once
from controller.errors import Refused
from controller.ledger.records import Container
from controller.model.labels import Label
from controller.model.messages import LineReport
from controller.model.remark import Remark
from controller.model.requests import PastQuery, PourRequest
from controller.model.states import Contents
from controller.model.views import Offer, Swap
from tests.engine.played_guard import BOOK, LIQUIDS, PROFILE, Desk, report
from tests.large_book import large_book

REPORTS = {one.line: one for one in report().lines}
TEA, JUICE, SYRUP, LIME, CORDIAL = 5, 1, 3, 4, 2


def shelf(*changed: LineReport, **more) -> Shelf:
    reports = REPORTS | {one.line: one for one in changed}
    return Shelf(reports=reports, **({"containers": {}} | more))


def container(line, remaining_ml, u_ml=0.0):
    return Container(
        line=line, liquid=LIQUIDS[line], container_ml=700.0, remaining_ml=remaining_ml, opened_wall_s=0.0,
        hung_wall_s=0.0, u_fill_ml=u_ml,
    )  # fmt: skip


def lacks(needed, on):
    return tuple(one.text for one in missing(needed, on))


def entry(recipe, on, profile=PROFILE):
    return next(one for one in Menu(profile, BOOK, Work()).entries(on) if one.recipe == recipe)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"contents": Contents.CLEANER, "holds": None}, "ginger syrup: line 3: rinse due"),
        ({"contents": Contents.UNKNOWN, "holds": None}, "ginger syrup: line 3: purge due"),
        ({"contents": Contents.EMPTY, "holds": None}, "ginger syrup: line 3 is not primed with it"),
        ({"contents": Contents.RINSE_WATER, "holds": None}, "ginger syrup: line 3 is not primed with it"),
        ({"holds": "perry"}, "ginger syrup: line 3 still holds perry"),
        ({"calibration": None}, "ginger syrup: line 3 is not calibrated with it"),
        ({"liquid": None}, "ginger syrup: on no line"),
    ],
)
def test_one_thing_that_is_needed_is_one_sentence(changes, sentence):
    assert lacks({"ginger syrup": 10.0, "soda": 50.0}, shelf(replace(REPORTS[SYRUP], **changes))) == (sentence,)


def test_a_shortage_is_stated_with_its_uncertainty():
    needed = {"ginger syrup": 30.0}
    assert lacks(needed, shelf(containers={SYRUP: container(SYRUP, 30.0)})) == ()
    # 40 mL with u = 10 mL: only 20 mL are sure.
    assert lacks(needed, shelf(containers={SYRUP: container(SYRUP, 40.0, 10.0)})) == (
        "ginger syrup: 10 mL short, 40 mL left, give or take 20 mL",
    )
    assert lacks(needed, shelf(low_lines=(SYRUP,))) == ("ginger syrup: the container on line 3 is low",)
    assert lacks(
        needed, shelf(overdue={SYRUP: (Remark(code="cleaning", text="line 3: cleaning due since 2.0 h"),)})
    ) == ("line 3: cleaning due since 2.0 h",)


def test_of_two_lines_with_a_liquid_the_one_that_has_enough_is_taken():
    second = replace(REPORTS[TEA], liquid="ginger syrup", holds="ginger syrup", calibration=None)
    second = replace(second, calibration=replace(REPORTS[TEA].calibration, liquid="ginger syrup"))
    full, low = container(TEA, 700.0), container(SYRUP, 5.0)
    assert lacks({"ginger syrup": 30.0}, shelf(second, containers={TEA: full, SYRUP: low})) == ()
    assert lacks({"ginger syrup": 30.0}, shelf(containers={SYRUP: low})) != ()


def twin_of_the_syrup(**changes):
    held = replace(REPORTS[TEA], **({"liquid": "ginger syrup", "holds": "ginger syrup"} | changes))
    return replace(held, calibration=replace(REPORTS[TEA].calibration, liquid="ginger syrup"))


def drawn_from(on):
    return {one.line for one in sources_for({"ginger syrup": 30.0}, on)["ginger syrup"]}


def test_lines_share_a_dose_only_while_books_agree_on_what_is_in_them():
    assert drawn_from(shelf(twin_of_the_syrup())) == {SYRUP, TEA}
    for stricter in ({"abv_percent": 5.0}, {"allergens": ("sulphites",)}, {"care": "perishable"}):
        label = Label(liquid="ginger syrup", **stricter)
        assert drawn_from(shelf(twin_of_the_syrup(labels=(label,)))) == {SYRUP}
    assert drawn_from(shelf(twin_of_the_syrup(contents=Contents.EMPTY, holds=None))) == {SYRUP}


def test_twins_may_hold_a_dose_between_them():
    halves = {TEA: replace(container(TEA, 20.0), liquid="ginger syrup"), SYRUP: container(SYRUP, 20.0)}
    assert lacks({"ginger syrup": 30.0}, shelf(twin_of_the_syrup(), containers=halves)) == ()
    assert lacks({"ginger syrup": 50.0}, shelf(twin_of_the_syrup(), containers=halves)) == (
        "ginger syrup: 10 mL short, 40 mL left",
    )


def test_a_drink_is_offered_without_what_is_optional_and_with_what_may_stand_in():
    no_lime = replace(REPORTS[LIME], contents=Contents.EMPTY, holds=None)
    assert entry("Marquee Tea", shelf(no_lime)).offer == Offer(without=("lime cordial",))
    no_cordial = replace(REPORTS[CORDIAL], contents=Contents.EMPTY, holds=None)
    with_lime = Offer(instead=(Swap(liquid="blackcurrant cordial", by="lime cordial"),))
    assert entry("Hedgerow Cup", shelf(no_cordial)).offer == with_lime
    assert entry("Hedgerow Cup", shelf(no_cordial, no_lime)).offer is None
    assert entry("Orchard Fizz", shelf(replace(REPORTS[JUICE], contents=Contents.EMPTY, holds=None))).offer is None
    assert entry("Marquee Tea", shelf()).offer is None  # nothing is missing


def test_a_drink_whose_liquid_hangs_on_no_line_says_which(tmp_path):
    path = tmp_path / "book.yaml"
    path.write_text(large_book(200), encoding="utf-8")
    book, _ = load_book(path, PROFILE)
    entries = Menu(PROFILE, book, Work()).entries(shelf())
    assert len(entries) == 200
    waiting = [one for one in entries if one.absent]
    assert {one.absent for one in waiting} == {("perry",), ("sloe gin",)}
    assert len(waiting) == 100
    assert all(f"{one.absent[0]}: on no line" in one.missing for one in waiting)


def test_allergens_of_the_drink_and_of_what_shares_the_funnel():
    fizz = entry("Orchard Fizz", shelf())
    assert (fizz.allergens, fizz.may_contain) == ((), ("sulphites",))
    assert entry("Blackcurrant Spritz", shelf()).may_contain == ()
    # Traces from an earlier liquid count until the line is cleaned, whatever hangs there by now.
    traces = replace(REPORTS[TEA], traces=("milk",))
    assert entry("Orchard Fizz", shelf(traces)).may_contain == ("milk", "sulphites")


def test_standard_drinks_are_counted_in_the_profiles_country_only():
    strong = replace(BOOK, liquids=tuple(replace(one, abv_percent=10.0) for one in BOOK.liquids))
    (tea,) = [one for one in Menu(PROFILE, strong, Work()).entries(shelf()) if one.recipe == "Marquee Tea"]
    assert (tea.standard_drinks, tea.standard_drink) == (None, None)
    at_home = replace(PROFILE, standard_drink="New Zealand")
    (tea,) = [one for one in Menu(at_home, strong, Work()).entries(shelf()) if one.recipe == "Marquee Tea"]
    # 137 mL of 10 % vol hold 13.7 mL of ethanol at 0.78924 g/mL: 10.81 g, by 10 g.
    assert tea.ethanol_g == pytest.approx(10.81, abs=0.01)
    assert tea.standard_drinks == pytest.approx(1.081, abs=0.001)


def test_a_refused_drink_is_counted_by_its_rule_and_its_key_stays_free():
    desk = Desk(report(contents=Contents.EMPTY))
    for _ in range(2):
        with pytest.raises(Refused, match="not primed"):
            desk.engine.pour(PourRequest(recipe="Orchard Fizz", key="k"))
    with pytest.raises(Refused, match="no recipe"):
        desk.engine.pour(PourRequest(recipe="Windfall Punsch"))
    assert [(one.rule, one.refusals) for one in at_once(desk.engine.past.refusals(PastQuery()))] == [("readiness", 2)]
    newest = desk.engine.history(5)[0]
    assert (newest.recipe, newest.outcome, newest.refused[0].rule) == ("Orchard Fizz", None, "readiness")
    desk.ledger.close()
