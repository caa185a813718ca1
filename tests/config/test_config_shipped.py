"""Every file that is shipped loads, with exactly the warnings that its comments explain."""

import re

import pytest
from msgspec.structs import replace

from controller.config import load, load_book, load_profile
from controller.metering.density import ethanol_g
from controller.model.doses import glass_ml, poured_ml, resolve
from tests.config.faulty_files import BOOKS, ROOT

PROFILES = ROOT / "hardware_profiles"

# For each profile, the GPIOs of each warning: those that its opening comment names.
WARNED = {
    "six_line": [{2}, {7, 8}],
    "bench_six_line": [{2}, {7, 8}],
    "eight_line": [{12}, {16}, {7, 8}, {17}],
    "bench_eight_line": [{12}, {16}, {7, 8}, {17}],
    "four_line_active_high": [],
}


def test_every_shipped_profile_is_listed_here():
    assert {path.stem for path in PROFILES.glob("*.yaml")} == WARNED.keys()


@pytest.mark.parametrize("name", WARNED)
def test_profiles_warn_of_what_their_comments_explain(name):
    path = PROFILES / f"{name}.yaml"
    _, warnings = load_profile(path)
    found = [{int(gpio) for gpio in re.findall(r"GPIO (\d+)", one.text)} for one in warnings]
    assert found == WARNED[name]
    comment = path.read_text(encoding="utf-8").split("\n\nmachine:")[0]
    for gpios in WARNED[name]:
        for gpio in gpios:
            assert re.search(rf"\b{gpio}\b", comment), f"the comment does not explain GPIO {gpio}"


@pytest.mark.parametrize("name", ["six_line", "eight_line"])
def test_bench_profiles_are_the_same_machine(name):
    real, _ = load_profile(PROFILES / f"{name}.yaml")
    bench, _ = load_profile(PROFILES / f"bench_{name}.yaml")
    assert (real.board.backend, bench.board.backend) == ("gpio", "bench")
    for field in real.__struct_fields__:
        if field not in {"machine", "board", "weighing", "scale"}:  # the bench has scales of its own
            assert getattr(real, field) == getattr(bench, field), field
    assert real.board.boot_lines == bench.board.boot_lines
    if real.scale is not None:
        assert replace(real.scale, converter="bench") == bench.scale


@pytest.mark.parametrize("book", BOOKS, ids=lambda path: path.stem)
@pytest.mark.parametrize("name", ["six_line", "eight_line", "bench_six_line", "bench_eight_line"])
def test_every_book_can_be_poured_on_every_machine_with_its_lines(name, book):
    profile_path = PROFILES / f"{name}.yaml"
    _, read, warnings = load(profile_path, book)
    assert warnings == load_profile(profile_path)[1], "the book adds no warning"
    assert read == load_book(book, None)[0]


def test_a_book_for_six_lines_is_refused_on_four():
    from controller.errors import FileProblems

    with pytest.raises(FileProblems) as error:
        load(PROFILES / "four_line_active_high.yaml", BOOKS[0])
    assert [one.text for one in error.value.problems] == [
        "line 5: the machine has no such line; it has 1, 2, 3, 4.",
        "line 6: the machine has no such line; it has 1, 2, 3, 4.",
    ]


def _book(name):
    return load_book(ROOT / "demo" / f"{name}.yaml", None)[0]


def test_the_fete_pours_no_alcohol_and_can_be_left_alone_with_three_drinks():
    book = _book("orchard_fete")
    assert len(book.recipes) >= 8
    assert all(liquid.abv_percent == 0.0 for liquid in book.liquids)
    unattended = [one for one in book.recipes if all(phase.hand is None for phase in one.phases)]
    assert len(unattended) >= 3


def test_one_double_of_the_fete_is_over_the_volume_cap_though_it_fits_the_glass_and_one_is_not():
    profile, _ = load_profile(PROFILES / "six_line.yaml")
    book = _book("orchard_fete")
    over: list[str] = []
    within: list[str] = []
    for recipe in book.recipes:
        double = resolve(recipe, book, 2.0)
        if glass_ml(double) <= book.glass(recipe.glass).usable_ml:
            (over if poured_ml(double) > profile.caps.serving_volume_ml else within).append(recipe.recipe)
    assert "Orchard Fizz" in over
    assert "Blackcurrant Spritz" in within


def test_one_double_of_the_supper_is_over_the_ethanol_cap_alone():
    profile, _ = load_profile(PROFILES / "six_line.yaml")
    book = _book("harvest_supper")
    assert len(book.recipes) >= 6
    recipe = book.recipe("Sloe Fizz")
    double = resolve(recipe, book, 2.0)
    grams = sum(ethanol_g(ml, book.liquid(name).abv_percent) for phase in double for name, ml in phase.doses)
    # 100 mL of 26 % vol hold 26 mL of ethanol, 0.78924 g/mL (OIML R 22): 20.5 g.
    assert grams == pytest.approx(20.52, abs=0.005)
    assert grams > profile.caps.serving_ethanol_g
    assert poured_ml(double) <= profile.caps.serving_volume_ml
    assert glass_ml(double) <= book.glass(recipe.glass).usable_ml


def test_the_examples_show_every_way_to_give_a_dose():
    doses = [
        dose
        for name in ("orchard_fete", "harvest_supper")
        for one in _book(name).recipes
        for phase in one.phases
        for dose in phase.doses
    ]
    assert any(dose.volume_ml is not None for dose in doses)
    assert any(dose.parts is not None for dose in doses)
    assert any(dose.fill_to_ml is not None for dose in doses)
    assert "dash}" in (ROOT / "demo" / "orchard_fete.yaml").read_text(encoding="utf-8")


def test_some_but_not_all_pumps_of_the_six_line_machine_may_run_together():
    profile, _ = load_profile(PROFILES / "six_line.yaml")
    pumps = sorted(line.pump.run_a for line in profile.lines)
    inrush_a = max(line.pump.inrush_a for line in profile.lines)
    assert sum(pumps[-2:]) + inrush_a <= profile.caps.current_a, "three together"
    assert sum(pumps[:5]) + inrush_a > profile.caps.current_a, "all six never"
