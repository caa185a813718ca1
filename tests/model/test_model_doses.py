"""A recipe's doses in mL, against sums worked by hand."""

import pytest

from controller.model.book import Book, Dose, Glass, Liquid, Phase, Recipe
from controller.model.doses import glass_ml, poured_ml, resolve, varied

GLASS = Glass(glass="tumbler", brim_ml=300.0, usable_ml=250.0)


def book(recipe: Recipe) -> Book:
    liquids = tuple(Liquid(liquid=name) for name in ("apple juice", "ginger syrup", "soda"))
    return Book(title="fete", liquids=liquids, glasses=(GLASS,), recipes=(recipe,), lines=())


def recipe(*phases: Phase, total_ml: float | None = None) -> Recipe:
    return Recipe(recipe="orchard fizz", glass="tumbler", phases=phases, total_ml=total_ml)


def test_parts_share_what_absolute_doses_and_ice_leave_of_the_glass():
    # 250 mL usable - 40 mL ice = 210 mL; less 30 mL syrup = 180 mL; 2 : 1 gives 120 mL and 60 mL.
    one = recipe(
        Phase(doses=(Dose(liquid="ginger syrup", volume_ml=30.0),)),
        Phase(hand="add ice", takes_ml=40.0),
        Phase(doses=(Dose(liquid="apple juice", parts=2.0), Dose(liquid="soda", parts=1.0))),
    )
    phases = resolve(one, book(one))
    assert phases[0].doses == (("ginger syrup", 30.0),)
    assert (phases[1].hand, phases[1].takes_ml) == ("add ice", 40.0)
    assert dict(phases[2].doses) == pytest.approx({"apple juice": 120.0, "soda": 60.0})
    assert poured_ml(phases) == pytest.approx(210.0)
    assert glass_ml(phases) == pytest.approx(250.0)


def test_filling_to_a_mark_counts_doses_and_ice_before_it():
    # 20 mL syrup + 50 mL ice stand in the glass: 200 mL mark leaves 130 mL.
    one = recipe(
        Phase(doses=(Dose(liquid="ginger syrup", volume_ml=20.0),)),
        Phase(hand="add ice", takes_ml=50.0),
        Phase(doses=(Dose(liquid="soda", fill_to_ml=200.0),)),
    )
    assert resolve(one, book(one))[2].doses == (("soda", 130.0),)


def test_two_fills_in_one_phase_are_filled_in_the_order_they_are_written():
    one = recipe(
        Phase(doses=(Dose(liquid="apple juice", fill_to_ml=120.0), Dose(liquid="soda", fill_to_ml=200.0))),
    )
    assert dict(resolve(one, book(one))[0].doses) == pytest.approx({"apple juice": 120.0, "soda": 80.0})


def test_scaling_multiplies_doses_but_not_ice():
    one = recipe(
        Phase(hand="add ice", takes_ml=50.0),
        Phase(doses=(Dose(liquid="apple juice", parts=1.0), Dose(liquid="soda", parts=1.0))),
        total_ml=100.0,
    )
    doubled = resolve(one, book(one), times=2.0)
    assert dict(doubled[1].doses) == pytest.approx({"apple juice": 100.0, "soda": 100.0})
    assert glass_ml(doubled) == pytest.approx(250.0)


def test_a_glass_that_the_book_does_not_list_is_a_key_error():
    one = Recipe(recipe="lost", glass="bucket", phases=(Phase(doses=(Dose(liquid="soda", parts=1.0),)),))
    with pytest.raises(KeyError, match="bucket"):
        resolve(one, book(one))


def test_only_what_a_dose_allows_is_left_out_or_replaced():
    one = recipe(
        Phase(doses=(Dose(liquid="ginger syrup", volume_ml=20.0, optional=True),)),
        Phase(doses=(Dose(liquid="apple juice", volume_ml=90.0, substitutes=("soda",)),)),
        Phase(hand="stir"),
        Phase(doses=(Dose(liquid="ginger syrup", volume_ml=5.0),)),
    )
    assert varied(one, without=("apple juice",), instead={"ginger syrup": "soda", "apple juice": "cold tea"}) == one
    other = varied(one, without=("ginger syrup",), instead={"apple juice": "soda"})
    assert [phase.hand for phase in other.phases] == [None, "stir", None]
    assert [phase.doses for phase in resolve(other, book(other))] == [
        (("soda", 90.0),),
        (),
        (("ginger syrup", 5.0),),
    ]


def test_parts_share_the_room_of_a_dose_that_is_left_out():
    # 250 mL usable; with the syrup 200 mL are shared 1 : 1, without it 250 mL are.
    one = recipe(
        Phase(
            doses=(
                Dose(liquid="ginger syrup", volume_ml=50.0, optional=True),
                Dose(liquid="apple juice", parts=1.0),
                Dose(liquid="soda", parts=1.0),
            )
        )
    )
    assert dict(resolve(one, book(one))[0].doses)["soda"] == pytest.approx(100.0)
    assert dict(resolve(varied(one, ("ginger syrup",)), book(one))[0].doses)["soda"] == pytest.approx(125.0)
