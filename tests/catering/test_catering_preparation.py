"""A whole preparation: it agrees with itself, with figures by hand, and between its exact and its simulated parts."""

import random
from statistics import fmean

import msgspec
import pytest

from controller.catering.arrivals import DrinkRequest, busiest_per_hour, draw_orders, rates
from controller.catering.outlook import look_ahead, pour_on_paper
from controller.catering.preparation import hang, in_turn_ml, prepare
from controller.catering.queue import mean_wait_s
from controller.catering.service import nominal_calibrations, services
from controller.catering.shares import menu_shares, open_shares
from controller.errors import Refused
from controller.model.event import Arrivals, DrinksPerGuest, MenuShare
from tests.catering.evening_parts import book, capped, event, loaded, profile


@pytest.fixture(scope="module")
def fete():
    return prepare(*loaded("fete"))


def test_every_liquid_is_bought_for_its_level_with_losses_on_top(fete):
    assert [one.liquid for one in fete.purchases] == [one.liquid for one in book().lines]
    for one in fete.purchases:
        assert one.bought_ml >= one.needed_ml + one.lost_ml
        assert one.lasts >= event().service_level
        assert one.expected_ml < one.needed_ml
    soda = next(one for one in fete.purchases if one.liquid == "soda")
    # 240 drinks; by the weights 5+4+3+3+2 of 26 with 105, 95, 120, 50 and 190.43 mL of soda in them.
    mean_ml = 240 / 26 * (5 * 105 + 4 * 95 + 3 * 120 + 3 * 50 + 2 * (340 - 120 - 29.5735295625))
    assert soda.expected_ml == pytest.approx(mean_ml)


def test_the_simulated_events_bear_out_the_exact_quantiles(fete):
    # Of all six liquids together at least what Bonferroni leaves of their single probabilities, at most the least.
    least = 1.0 - sum(1.0 - one.lasts for one in fete.purchases)
    most = min(one.lasts for one in fete.purchases)
    error = max(0.01, fete.outlook.lasts_error)
    assert least - 4 * error <= fete.outlook.lasts <= most + 4 * error


def test_pump_times_are_the_planners(fete):
    lines = {one.liquid: (one.line,) for one in book().lines}
    known = nominal_calibrations(profile(), book(), lines)
    spritz = next(one for one in fete.services if one.recipe == "Blackcurrant Spritz")
    # Both lines run at once: the soda, 95 mL, takes longest; then glasses are changed for 4 s + 8 s.
    longest_s = 95.0 / known[6].flow_ml_s
    assert spritz.pumps_s == pytest.approx(longest_s, abs=0.11)
    assert spritz.cycle_s == pytest.approx(spritz.pumps_s + 12.0)
    tea = next(one for one in fete.services if one.recipe == "Iced Orchard Tea")
    assert tea.hand_steps == 2
    assert tea.cycle_s == pytest.approx(tea.pumps_s + 2 * 10.0 + 12.0)


def test_a_long_pause_between_servings_lengthens_the_cycle():
    machine = capped(serving_pause_s=30.0)
    lines = {one.liquid: (one.line,) for one in book().lines}
    known = nominal_calibrations(machine, book(), lines)
    found = services(event(), machine, book(), lines=lines, shares={"Orchard Fizz": 1.0}, calibrations=known)
    assert found["Orchard Fizz"].cycle_s == pytest.approx(found["Orchard Fizz"].pumps_s + 30.0)


def test_waits_at_an_even_rate_are_near_the_closed_form():
    # A whole day of one drink, asked for at random and evenly: M/D/1 but for its empty start.
    even = event(
        guests=600,
        starts="06:00",
        ends="06:00",
        drinks_per_guest=DrinksPerGuest(mean=2.0),
        arrivals=Arrivals(),
        menu=(MenuShare(recipe="Blackcurrant Spritz", weight=1.0),),
        mean_uncertainty=0.0,
        menu_uncertainty=0.0,
    )
    machine = capped(hour_servings=1000)
    lines = {one.liquid: (one.line,) for one in book().lines}
    numbers = {liquid: line for liquid, (line,) in lines.items()}
    known = nominal_calibrations(machine, book(), lines)
    served = services(even, machine, book(), lines=lines, shares={"Blackcurrant Spritz": 1.0}, calibrations=known)
    vast = dict.fromkeys(lines, (1000000000.0,))
    outlook = look_ahead(even, machine.caps, served, lines=numbers, containers_ml=vast, seed=3, events=30)
    expected = mean_wait_s(1200 / 86_400, [(served["Blackcurrant Spritz"].cycle_s, 1.0)])
    assert outlook.mean_wait_s == pytest.approx(expected, abs=4 * outlook.mean_wait_error_s)
    assert outlook.mean_wait_error_s < 0.05 * expected
    assert outlook.lasts == 1.0
    assert outlook.changes == ()


def test_a_peak_holds_its_share_of_the_drinks():
    (_, _, before), (begin_s, end_s, within), (_, last_s, after) = rates(event())
    # 14:00 to 22:00, 2 h around 18:30 with 35 %; the rest evenly over the other 6 h.
    assert (begin_s, end_s, last_s) == (12_600.0, 19_800.0, 28_800.0)
    assert within == pytest.approx(0.35)
    assert (before, after) == (pytest.approx(0.65 * 3.5 / 6), pytest.approx(0.65 * 2.5 / 6))
    assert busiest_per_hour(event()) == pytest.approx(240 * 0.35 / 2)
    drawn = [draw_orders(event(), {"Lime Soda": 1.0}, random.Random(seed)) for seed in range(60)]
    orders = [one for some in drawn for one in some]
    assert fmean(begin_s <= one.at_s < end_s for one in orders) == pytest.approx(0.35, abs=0.02)
    assert fmean(len(some) for some in drawn) == pytest.approx(240, abs=4 * (96 * 1.8**2 / 60) ** 0.5)
    assert all(list(some) == sorted(some, key=lambda one: one.at_s) for some in drawn)


def test_containers_are_changed_when_a_dose_no_longer_fits():
    served = _services({"Blackcurrant Spritz": 1.0})
    orders = [DrinkRequest(at_s=float(k), recipe="Blackcurrant Spritz") for k in range(6)]
    done, changed = pour_on_paper(orders, served, {"blackcurrant cordial": (60.0, 60.0), "soda": (1000.0,)})
    # 25 mL of cordial each: two from a container of 60 mL, and after the second container nobody is served.
    assert len(done) == 4
    assert changed == [(), (), ("blackcurrant cordial",), ()]


def _services(shares):
    lines = {one.liquid: (one.line,) for one in book().lines}
    known = nominal_calibrations(profile(), book(), lines)
    return services(event(), profile(), book(), lines=lines, shares=shares, calibrations=known)


def test_changes_come_when_the_container_is_used_up(fete):
    first = next(one for one in fete.outlook.changes if one.liquid == "soda" and one.number == 1)
    assert first.share == 1.0
    assert first.early_s < first.median_s < first.late_s
    # 5 L less the losses at 16.6 L in the event: after 0.3 of all drinks, of which 0.65 * 3.5/6 come before the peak.
    drawable = in_turn_ml(event(), profile(), next(one for one in fete.purchases if one.liquid == "soda"))
    share = drawable[0] / 16_577.0
    assert first.median_s == pytest.approx(share / (0.65 * 3.5 / 6) * 12_600.0, rel=0.05)


def test_fewer_lines_than_liquids_leave_part_of_the_menu_off():
    small = msgspec.structs.replace(profile(), lines=profile().lines[:4])
    free = event(lines="free")
    hanging = hang(free, small, book())
    assert len(hanging.lines) <= 4
    asked = menu_shares(free)
    assert hanging.share == pytest.approx(sum(asked[one] for one in hanging.recipes))
    assert sum(open_shares(free, hanging).values()) == pytest.approx(1.0)
    found = prepare(free, small, book())
    assert {*found.left_out} == {one.recipe for one in free.menu} - {*hanging.recipes}
    assert found.menu_share < 1.0
    assert {one.liquid for one in found.purchases} == hanging.lines.keys()


def test_exceeded_checks_are_reported(fete):
    assert all(one.is_kept for one in fete.checks)
    crowded = prepare(event(guests=300), capped(hour_servings=30), book())
    kept = {one.note: one.is_kept for one in crowded.checks}
    assert not kept["cap hour_servings"]
    assert not kept["what machine and people can do"]
    assert crowded.outlook.held > 0.3
    assert crowded.outlook.late_s > 3600.0


TINY = {
    "guests": 10,
    "menu": (MenuShare(recipe="Blackcurrant Spritz", weight=2.0), MenuShare(recipe="Lime Soda", weight=1.0)),
}


def test_measured_flows_count_where_the_liquid_is_the_same():
    tiny = event(**TINY)
    lines = {one.liquid: (one.line,) for one in book().lines}
    known = nominal_calibrations(profile(), book(), lines)
    halved = {n: msgspec.structs.replace(one, flow_ml_s=one.flow_ml_s / 2) for n, one in known.items()}
    plain, slow = prepare(tiny, profile(), book()), prepare(tiny, profile(), book(), calibrations=halved)
    assert (plain.calibrated, slow.calibrated) == (False, True)
    for before, after in zip(plain.services, slow.services, strict=True):
        assert after.pumps_s > 1.5 * before.pumps_s
    others = {n: msgspec.structs.replace(one, liquid="perry") for n, one in halved.items()}
    assert prepare(tiny, profile(), book(), calibrations=others) == plain
    assert prepare(tiny, profile(), book(), seed=2).outlook != plain.outlook


def test_containers_too_small_for_a_dose_are_refused():
    tiny = event(on_sale=(*event().on_sale[2:], msgspec.structs.replace(event().on_sale[0], container_ml=110.0)))
    # 12.44 mL primed, 20 mL residue, 4.95 mL perhaps not in it, and up to 90 mL, the largest dose, left.
    with pytest.raises(Refused, match=r"no drink comes out of 110 mL of apple juice: 127 mL may be lost"):
        prepare(tiny, profile(), book())
