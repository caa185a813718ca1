"""Glasses, ice and garnish on the list, against counts by hand."""

import pytest
from scipy import stats

from controller.catering.preparation import prepare
from controller.catering.sundries import spread_of, sundries
from controller.model.event import DrinksPerGuest, MenuShare
from tests.catering.evening_parts import book, event, profile

POISSON = DrinksPerGuest(mean=2.0, distribution="poisson")
TWO = (MenuShare(recipe="Iced Orchard Tea", weight=3.0), MenuShare(recipe="Lime Soda", weight=1.0))
SURE = {"mean_uncertainty": 0.0, "menu_uncertainty": 0.0}


@pytest.fixture(scope="module")
def tea_and_soda():
    return event(guests=50, menu=TWO, drinks_per_guest=POISSON, **SURE)


def test_each_hand_step_and_each_glass_is_counted(tea_and_soda):
    found = prepare(tea_and_soda, profile(), book())
    counted = {one.what: one for one in found.sundries}
    for recipe, share in (("Iced Orchard Tea", 0.75), ("Lime Soda", 0.25)):
        drink = book().recipe(recipe)
        hands = [phase for phase in drink.phases if phase.hand is not None]
        # Of a Poisson number of drinks, 50 guests with 2 each, those of one kind are Poisson as well (thinning).
        for phase in hands:
            one = counted[phase.hand]
            assert one.takes_ml == phase.takes_ml
            assert one.kind == "hand step"
            if all(phase.hand != other.hand for other in _hands_of(recipe)):
                assert one.expected == pytest.approx(100 * share)
                assert one.needed == stats.poisson.ppf(0.95, 100 * share)
        assert counted[drink.glass].kind == "glass"
    assert sum(one.expected for one in found.sundries if one.kind == "glass") == pytest.approx(100.0)


def _hands_of(recipe):
    other = next(one.recipe for one in TWO if one.recipe != recipe)
    return [phase for phase in book().recipe(other).phases if phase.hand is not None]


def test_an_uncertain_estimate_buys_more(tea_and_soda):
    served = {one.recipe: one for one in prepare(tea_and_soda, profile(), book()).services}
    glasses = {one.recipe: 1.0 for one in TWO}
    needed = []
    for unsure in (SURE, {"mean_uncertainty": 0.15, "menu_uncertainty": 0.0}, {"mean_uncertainty": 0.3}):
        one = event(guests=50, menu=TWO, drinks_per_guest=POISSON, **(SURE | unsure))
        needed.append(spread_of(one, served, glasses).quantile_ml(0.95))
    assert needed == sorted(set(needed))
    # Uncertain shares change nothing for what every drink takes, and something for what some take.
    doubtful = event(guests=50, menu=TWO, drinks_per_guest=POISSON, mean_uncertainty=0.0, menu_uncertainty=0.5)
    assert spread_of(doubtful, served, glasses).quantile_ml(0.95) == needed[0]
    certain, uncertain = (sundries(one, book(), served) for one in (tea_and_soda, doubtful))
    assert any(after.needed > before.needed for before, after in zip(certain, uncertain, strict=True))


def test_an_event_that_says_nothing_is_not_taken_to_be_sure():
    assert event().mean_uncertainty == 0.15
    assert event().menu_uncertainty == 0.25
