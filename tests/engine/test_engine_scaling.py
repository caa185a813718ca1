"""Options, strength, size and small doses, against sums worked by hand."""

import pytest
from msgspec.structs import replace

from controller.engine.scaling import serving, smallest_reliable_ml
from controller.errors import Refused
from controller.metering.calibration import law_of
from controller.metering.dose import predict
from controller.model.book import Book, Dose, Glass, Liquid, Phase, Recipe
from controller.model.calibration import Calibration
from controller.model.requests import PourRequest
from controller.model.views import Swap

BOOK = Book(
    title="supper",
    liquids=(
        Liquid(liquid="vermouth", abv_percent=16.0),
        Liquid(liquid="perry", abv_percent=5.5),
        Liquid(liquid="soda"),
        Liquid(liquid="ginger syrup", brix=50.0),
        Liquid(liquid="lime cordial", brix=40.0),
    ),
    glasses=(
        Glass(glass="tumbler", brim_ml=330.0, usable_ml=270.0),
        Glass(glass="cup", brim_ml=200.0, usable_ml=160.0),
    ),
    recipes=(),
    lines=(),
)
COOLER = Recipe(
    recipe="Cooler",
    glass="tumbler",
    phases=(
        Phase(hand="add ice", takes_ml=60.0),
        Phase(
            doses=(
                Dose(liquid="vermouth", volume_ml=40.0),
                Dose(liquid="ginger syrup", volume_ml=10.0, optional=True, substitutes=("lime cordial",)),
            )
        ),
        Phase(doses=(Dose(liquid="soda", volume_ml=50.0),)),
    ),
)


def doses(recipe=COOLER, smallest=lambda _: None, **asked):
    served = serving(PourRequest(recipe=recipe.recipe, **asked), recipe, BOOK, smallest)
    return served, served.needed_ml


def test_a_single_is_what_the_recipe_says():
    served, needed = doses()
    assert needed == {"vermouth": 40.0, "ginger syrup": 10.0, "soda": 50.0}
    assert (served.times, served.glass, served.changes) == (1.0, "tumbler", ())


@pytest.mark.parametrize(
    ("asked", "times"),
    [
        ({"times": 1.5}, 1.5),
        ({"volume_ml": 50.0}, 0.5),
        # A glass is filled up to its usable volume, less 60 mL of ice: 160 - 60 and 270 - 60, of 100 mL.
        ({"glass": "cup"}, 1.0),
        ({"glass": "tumbler"}, 2.1),
        ({"glass": "cup", "times": 0.8}, 0.8),
        ({"glass": "cup", "volume_ml": 90.0}, 0.9),
    ],
)
def test_size_scales_every_dose_alike_and_leaves_the_ice(asked, times):
    served, needed = doses(**asked)
    assert served.times == pytest.approx(times)
    assert needed == pytest.approx({"vermouth": 40.0 * times, "ginger syrup": 10.0 * times, "soda": 50.0 * times})
    assert [phase.takes_ml for phase in served.phases] == [60.0, 0.0, 0.0]
    assert served.glass == asked.get("glass", "tumbler")


def test_two_sizes_at_once_and_unknown_glasses_are_refused():
    with pytest.raises(Refused, match="both say how much"):
        doses(times=2.0, volume_ml=50.0)
    with pytest.raises(Refused, match=r"no glass 'bowl'.*tumbler, cup"):
        doses(glass="bowl")
    with pytest.raises(Refused, match="leaves no room"):
        doses(replace(COOLER, phases=(Phase(hand="fill with ice", takes_ml=200.0), *COOLER.phases[1:])), glass="cup")


def test_strength_changes_the_shares_and_keeps_the_volume():
    # 40 mL of 16 % vol in 100 mL are 6.4 % vol; 3 % vol take 18.75 mL of it but for the contraction on mixing.
    served, needed = doses(abv_percent=3.0)
    assert sum(needed.values()) == pytest.approx(100.0)
    assert needed["vermouth"] == pytest.approx(18.75, abs=0.1)
    assert needed["soda"] / needed["ginger syrup"] == pytest.approx(5.0)
    assert served.mixture(BOOK).abv_percent == pytest.approx(3.0, abs=1e-6)
    assert served.changes == ("3 % vol instead of 6.4 % vol, as asked.",)


def test_strength_between_two_liquids_with_alcohol_is_found_too():
    both = Recipe(
        recipe="Both",
        glass="tumbler",
        phases=(Phase(doses=(Dose(liquid="vermouth", volume_ml=50.0), Dose(liquid="perry", volume_ml=50.0))),),
    )
    served, needed = doses(both, abv_percent=8.0)
    # 16 x + 5.5 (1 - x) = 8 gives x = 0.238
    assert needed["vermouth"] == pytest.approx(23.8, abs=0.3)
    assert served.mixture(BOOK).abv_percent == pytest.approx(8.0, abs=1e-6)
    with pytest.raises(Refused, match=r"has more than 5 % vol"):
        doses(both, abv_percent=5.0)
    with pytest.raises(Refused, match=r"has less than 16 % vol"):
        doses(both, abv_percent=16.0)


def test_options_are_taken_as_the_recipe_has_them_and_listed():
    served, needed = doses(without=("ginger syrup",))
    assert needed == {"vermouth": 40.0, "soda": 50.0}
    assert served.changes == ("ginger syrup is left out, as asked.",)
    served, needed = doses(instead=(Swap(liquid="ginger syrup", by="lime cordial"),))
    assert needed == {"vermouth": 40.0, "lime cordial": 10.0, "soda": 50.0}
    assert served.changes == ("lime cordial stands in for ginger syrup, as asked.",)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"without": ("soda",)}, "cannot be had without soda.*allows: ginger syrup"),
        ({"instead": (Swap(liquid="soda", by="perry"),)}, "with perry instead of soda.*lime cordial for ginger syrup"),
        (
            {"without": ("ginger syrup",), "instead": (Swap(liquid="ginger syrup", by="lime cordial"),)},
            "with lime cordial instead of ginger syrup",
        ),
    ],
)
def test_what_the_recipe_does_not_allow_is_refused_with_what_it_does(asked, words):
    with pytest.raises(Refused, match=words) as told:
        doses(**asked)
    assert told.value.rule == "recipe"


def test_a_substitute_that_the_phase_pours_anyway_makes_one_dose():
    lime = Recipe(
        recipe="Lime",
        glass="cup",
        phases=(
            Phase(
                doses=(
                    Dose(liquid="lime cordial", volume_ml=20.0),
                    Dose(liquid="ginger syrup", volume_ml=5.0, substitutes=("lime cordial",)),
                )
            ),
        ),
    )
    served, _ = doses(lime, instead=(Swap(liquid="ginger syrup", by="lime cordial"),))
    assert served.phases[0].doses == (("lime cordial", 25.0),)


def with_rule(too_small):
    phases = (
        Phase(
            doses=(Dose(liquid="soda", volume_ml=95.0), Dose(liquid="ginger syrup", volume_ml=5.0, too_small=too_small))
        ),
    )
    return Recipe(recipe="Small", glass="cup", phases=phases)


def test_a_dose_too_small_to_be_exact_is_treated_as_the_recipe_says():
    def smallest(liquid):
        return {"ginger syrup": 1.5}.get(liquid)

    with pytest.raises(Refused, match=r"1\.0 mL of ginger syrup are less than the 1\.5 mL") as told:
        doses(with_rule("refuse"), smallest, times=0.2)
    assert told.value.rule == "smallest_dose"
    served, needed = doses(with_rule("round_up"), smallest, times=0.2)
    assert needed == pytest.approx({"soda": 19.0, "ginger syrup": 1.5})
    assert "rounded up" in served.changes[0]
    served, needed = doses(with_rule("leave_out"), smallest, times=0.2)
    assert needed == pytest.approx({"soda": 19.0})
    assert "left out" in served.changes[0]
    assert doses(with_rule("refuse"), smallest, times=0.4)[0].changes == ()  # 2 mL are enough


def test_the_smallest_dose_follows_from_the_calibration():
    calibration = Calibration(
        line=1, liquid="soda", flow_ml_s=5.0, lag_s=0.05, u_flow_ml_s=0.01, u_lag_s=0.02, cov_flow_lag=0.0,
        scatter_ml=0.3, scatter_dof=20.0,
    )  # fmt: skip
    least_ml = smallest_reliable_ml(calibration)
    assert predict(law_of(calibration), least_ml).low_ml > 0.0
    # Student's t for 20 degrees of freedom is 2.086; 2.086 * hypot(0.3, 5 * 0.02) = 0.66 mL may be missing.
    assert least_ml == pytest.approx(0.66, rel=0.03)
    loose = replace(calibration, scatter_ml=2.0)  # 25 mL lie outside +-2 mL as well
    assert smallest_reliable_ml(loose) == 25.0
