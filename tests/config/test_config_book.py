"""What a book may not say: every refusal with its place, its numbers and the remedy."""

from pathlib import Path

import pytest

from controller.config import load, load_book
from controller.errors import FileProblems
from tests.config.faulty_files import BOOK, HERE, PROFILE, assert_refused, book_problems, change
from tests.large_book import large_book

TEXT = BOOK.read_text(encoding="utf-8")
FIZZ = """      - doses:
          - {liquid: apple juice, volume: 90 mL}
          - {liquid: ginger syrup, volume: 15 mL}
      - doses:
          - {liquid: soda, fill_to: 210 mL}
"""
GINGER_DOSE = "{liquid: ginger syrup, volume: 15 mL}"


def fizz(*phases):
    """The phases of Orchard Fizz replaced: what to change, and into what."""
    return FIZZ, "".join(f"      - {phase}\n" for phase in phases)


DOSES = [
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: {HERE}2 oz}}", (
        'dose of ginger syrup: "2 oz" is a mass. Write "2 US_floz" (59.1 mL) or "2 imp_floz" (56.8 mL).',)),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: {HERE}1 shot}}", ("dose of ginger syrup", "25 mL", "44.4 mL")),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: {HERE}15}}", ("has no unit", '"15 mL"', '"15 cL"')),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: {HERE}0 mL}}", ("too little", "above 0 mL")),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: {HERE}51 L}}", ("too much", "50 L")),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: {HERE}2 barspoon}}", ("no fixed size", '"barspoon"', "measures")),
    (GINGER_DOSE, f"{{liquid: ginger syrup, parts: {HERE}2 parts}}", ("not a number",)),
    (GINGER_DOSE, f"{{liquid: ginger syrup, parts: {HERE}0}}", ("too little", "above 0")),
    (GINGER_DOSE, f"{{liquid: ginger syrup, parts: {HERE}.nan}}", ("not a finite number",)),
    (GINGER_DOSE, f"{{liquid: {HERE}ginger sirup, volume: 15 mL}}", ("no liquid", 'Did you mean "ginger syrup"?')),
    (GINGER_DOSE, f"{{liquid: {HERE}gravy, volume: 15 mL}}", ("no liquid", "Listed: apple juice, blackcurr")),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: 15 mL, parts: {HERE}1}}", ("more than once",)),
    (GINGER_DOSE, f"{HERE}{{liquid: ginger syrup}}", ("how much is not said", "volume, parts, fill_to")),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: 15 mL, optional: {HERE}yes}}", ("neither true nor false",)),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: 15 mL, optional: {HERE}'true'}}", ("without quotes",)),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: 15 mL, substitutes: [{HERE}ginger sirup]}}", (
        "dose of ginger syrup", 'Did you mean "ginger syrup"?')),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: 15 mL, substitutes: [{HERE}ginger syrup]}}", ("changes nothing",)),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: 15 mL, substitutes: [lime cordial, {HERE}lime cordial]}}", (
        "changes nothing",)),
    (GINGER_DOSE, f"{{liquid: ginger syrup, volume: 15 mL, too_small: {HERE}round}}", ("Did you mean round_up?",)),
    (GINGER_DOSE, f"{{liquid: {HERE}apple juice, volume: 15 mL}}", ("has one already", "in line 61", "Add them up")),
]  # fmt: skip

PARTS = [
    # Phases.
    (*fizz(f"doses: [{{liquid: soda, volume: 9 mL}}]\n        hand: {HERE}stir"), ("both doses and a hand step",)),
    (*fizz("doses: [{liquid: soda, volume: 9 mL}]", f"{HERE}{{takes: 5 mL}}"), ("neither doses nor a hand step",)),
    (*fizz("doses: [{liquid: soda, volume: 9 mL}]", f"{HERE}doses: []"), ("neither doses nor a hand step",)),
    (*fizz(f"{{doses: [{{liquid: soda, volume: 9 mL}}], takes: {HERE}5 mL}}"), ("only a hand step takes room",)),
    (*fizz(f"{{doses: [{{liquid: soda, volume: 9 mL}}], within: {HERE}5 min}}"), ("only a hand step has a time",)),
    (*fizz(f"{{doses: [{{liquid: soda, volume: 9 mL}}], order: {HERE}wish}}"), ("follow or join",)),
    (*fizz(f"{{hand: muddle, within: {HERE}11 min}}", "doses: [{liquid: soda, volume: 9 mL}]"),
        ('hand step "muddle"', "may take 11 min", "hand_step is 10 min")),
    ("    phases:\n" + FIZZ, f"    phases: {HERE}[{{hand: stir}}]\n", ("recipe Orchard Fizz: it pours nothing",)),
    ("    phases:\n" + FIZZ, f"    phases: {HERE}[]\n", ("recipe Orchard Fizz: it pours nothing",)),
    ("    phases:\n" + FIZZ, f"    phases: {HERE}[{{doses: [{{liquid: soda, volume: 9 mL, optional: true}}]}}]\n", (
        "every dose is optional",)),
    # Volumes.
    ("fill_to: 210 mL", f"fill_to: {HERE}441 mL", ("dose of soda: it fills to 441 mL", "tall glass", "440 mL")),
    ("fill_to: 210 mL", f"fill_to: {HERE}105 mL", ("it fills to 105 mL, but 105 mL are in the glass by then",)),
    ("fill_to: 210 mL", f"fill_to: {HERE}60 mL", ("it fills to 60 mL, but 105 mL are in the glass by then",)),
    ("    total: 160 mL", f"    total: {HERE}280 mL", ("recipe Ginger Cooler: it comes to 280 mL", "10 mL too")),
    ("    glass: tall glass\n", f"    glass: tall glass\n    total: {HERE}200 mL\n", ("no dose has parts",)),
    # Names and lines.
    ("    glass: tall glass\n", f"    glass: {HERE}tal glass\n", ('no glass "tal', 'Did you mean "tall glass"?')),
    ("  - liquid: soda ", f"  - liquid: {HERE}Cold Tea ", ("stands twice",)),
    ("{glass: cup,", f"{{glass: {HERE}tumbler,", ("stands twice",)),
    ("usable: 160 mL", f"usable: {HERE}230 mL", ("glass cup: 230 mL usable is more than the 220 mL to the brim",)),
    ("{line: 6, liquid: soda", f"{{line: {HERE}5, liquid: soda", ("line 5: it has a liquid already, in line 53",)),
    ("{line: 6, liquid: soda", f"{{line: {HERE}7, liquid: soda", ("no such line; it has 1, 2, 3, 4, 5, 6",)),
    ("{line: 6, liquid: soda", f"{{line: 6, liquid: {HERE}sodda", ("line 6", 'Did you mean "soda"?')),
    ("container: 5 L", f"container: {HERE}5 kg", ("line 6 container", "is a mass")),
    ("container: 5 L", f"container: {HERE}5 dash", ("no fixed size",)),
    # Liquids and measures.
    ("    brix: 11 %\n", f"    brix: {HERE}11 %\n    density: 1044 kg/m3\n", ("liquid apple juice: density and brix",)),
    ("    brix: 11 %\n", f"    brix: {HERE}11\n", ("liquid apple juice brix", "has no unit", '"11 %"')),
    ("    brix: 11 %\n", f"    brix: {HERE}90 %\n", ("liquid apple juice", "85")),
    ("    brix: 11 %\n", f"    brix: 60 %\n    abv: {HERE}60 %\n", ("liquid apple juice", "too little water")),
    ("    served_at: 8 degC\n", f"    served_at: {HERE}-10 degC\n", ("liquid apple juice", "-10", "0 and 40")),
    ("allergens: [sulphites]", f"allergens: [{HERE}sulfites]", ("Did you mean sulphites?",)),
    ("measure: dash,", f"measure: {HERE}mL,", ('"mL" already means something else',)),
    ("measure: dash,", f"measure: {HERE}Oz,", ('"Oz" already means something else',)),
    ("measure: dash,", f"measure: {HERE}big dash,", ("one word of letters",)),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "parts"), DOSES + PARTS)
def test_refuses_at_the_place_with_the_way_out(tmp_path, old, new, parts):
    changed = change(TEXT, old, new)
    assert_refused(book_problems(tmp_path, changed.text), changed, *parts)


def test_a_recipe_over_the_usable_volume_with_its_ice_is_refused(tmp_path):
    # 170 mL + 15 mL of drink and 100 mL of ice are 285 mL; the tumbler is used up to 270 mL.
    text = TEXT.replace("cubes of ice, takes: 80 mL", "cubes of ice, takes: 100 mL")
    changed = change(
        text.replace("volume: 60 mL", "volume: 70 mL"), "  - recipe: Iced Orch", f"  - {HERE}recipe: Iced Orch"
    )
    assert_refused(
        book_problems(tmp_path, changed.text),
        changed,
        "recipe Iced Orchard Tea: it comes to 285 mL, hand steps included",
        "a tumbler is used up to 270 mL: 15 mL too much",
    )


def test_parts_with_nothing_left_to_share_are_refused(tmp_path):
    text = TEXT.replace("volume: 4 dash", "volume: 150 mL")
    changed = change(text, "    total: 150 mL", f"    total: {HERE}150 mL")
    problems = book_problems(tmp_path, changed.text)
    assert_refused(problems, changed, "Windfall Punch", "take 150 mL of 150 mL", "nothing is left for the parts")
    assert len(problems) == 1


def waiting(tmp_path, text):
    """The warnings of a book about recipes that wait for a liquid."""
    path = tmp_path / "book.yaml"
    path.write_text(text, encoding="utf-8")
    _, _, warnings = load(PROFILE, path)
    return [one.text for one in warnings if "hangs on no line" in one.text]


def test_recipes_whose_liquid_is_on_no_line_wait_for_it_and_one_warning_names_them(tmp_path):
    text = TEXT.replace("  - {line: 5, liquid: cold tea, container: 3 L}\n", "")
    (warning,) = waiting(tmp_path, text)
    assert warning.startswith("recipes: 4 of 9 need a liquid that hangs on no line, and wait for it: ")
    assert warning.count("(cold tea)") == 4


def test_a_recipe_waits_for_no_liquid_that_it_can_replace_or_do_without(tmp_path):
    text = TEXT.replace("  - {line: 2, liquid: blackcurrant cordial, container: 700 mL}\n", "")
    (warning,) = waiting(tmp_path, text)
    assert "3 of 9" in warning
    assert "Hedgerow Cup" not in warning, "it has a substitute"
    text = text.replace("liquid: blackcurrant cordial, parts", "optional: true, liquid: blackcurrant cordial, parts")
    (warning,) = waiting(tmp_path, text)
    assert "2 of 9" in warning


def test_liquids_without_stated_care_are_asked_about_once_and_count_as_perishable(tmp_path):
    path = tmp_path / "book.yaml"
    life = "    opened_life: 4 weeks\n"
    path.write_text(TEXT.replace(life, ""), encoding="utf-8")
    book, warnings = load_book(path, None)
    (asked,) = [one.text for one in warnings if "how do these keep" in one.text]
    assert "blackcurrant cordial, ginger syrup, lime cordial?" in asked
    assert [book.liquid(name).line_care for name in ("lime cordial", "apple juice", "cold tea")] == [
        "perishable", "ordinary", "tea",
    ]  # fmt: skip
    path.write_text(TEXT.replace(life, "    care: ordinary\n"), encoding="utf-8")
    book, warnings = load_book(path, None)
    assert [one for one in warnings if "how do these keep" in one.text] == []
    assert book.liquid("lime cordial").line_care == "ordinary"


def test_a_book_of_two_hundred_recipes_names_a_few_that_wait_and_counts_the_rest(tmp_path):
    path = tmp_path / "book.yaml"
    path.write_text(large_book(200), encoding="utf-8")
    _, book, warnings = load(PROFILE, path)
    assert len(book.recipes) == 200
    (warning,) = [one.text for one in warnings if "hangs on no line" in one.text]
    assert warning.startswith("recipes: 100 of 200 need")
    assert warning.endswith("and 95 more.")


def test_a_substitute_over_the_ethanol_cap_is_warned_of(tmp_path):
    path = tmp_path / "book.yaml"
    text = TEXT.replace("    brix: 40 %\n", "    abv: 80 %\n")
    path.write_text(text.replace(GINGER_DOSE, GINGER_DOSE[:-6] + "32 mL, substitutes: [lime cordial]}"), "utf-8")
    _, _, warnings = load(PROFILE, path)
    # 32 mL of 80 % vol hold 25.6 mL of ethanol, 0.78924 g/mL: 20.2 g.
    assert [one.text for one in warnings if "Orchard Fizz" in one.text] == [
        "recipe Orchard Fizz: with lime cordial instead of ginger syrup a single holds 20.2 g of ethanol, "
        "the machine's cap serving_ethanol is 20 g: that will be refused."
    ]


def test_a_single_over_the_volume_cap_is_refused_with_the_machine_and_accepted_without(tmp_path):
    text = TEXT.replace("fill_to: 210 mL", "fill_to: 360 mL")
    (problem,) = book_problems(tmp_path, text)
    assert problem.text.startswith(
        "recipe Orchard Fizz: a single pours 360 mL, the machine's cap serving_volume is 350 mL"
    )
    assert book_problems(tmp_path, text, alone=True) == []


def test_a_single_over_the_ethanol_cap_is_refused(tmp_path):
    # 45 mL of 60 % vol hold 27 mL of ethanol, 0.78924 g/mL: 21.3 g.
    text = TEXT.replace("    brix: 50 %\n", "    abv: 60 %\n").replace(
        "volume: 15 mL}\n      - doses", "volume: 45 mL}\n      - doses"
    )
    problems = [one.text for one in book_problems(tmp_path, text) if "Orchard Fizz" in one.text]
    assert len(problems) == 1
    assert "a single holds 21.3 g of ethanol, the machine's cap serving_ethanol is 20 g" in problems[0]


def test_a_dose_longer_than_one_run_is_warned_of(tmp_path):
    path = tmp_path / "book.yaml"
    path.write_text(TEXT.replace("fill_to: 210 mL", "fill_to: 340 mL"), encoding="utf-8")
    profile = tmp_path / "profile.yaml"
    profile.write_text(Path(PROFILE).read_text(encoding="utf-8").replace("run_on: 60 s", "run_on: 45 s"))
    _, _, warnings = load(profile, path)
    # 235 mL at 5 mL/s are 47 s; one run may last 45 s.
    assert [one.text for one in warnings if "dose of" in one.text] == [
        "dose of soda: 235 mL take about 47 s at the pump's nominal flow, the cap run_on is 45 s. "
        "Pour less, or hang it on a faster line."
    ]


def test_a_drink_too_large_at_the_upper_edge_of_a_pumps_flow_draws_a_warning(tmp_path):
    path = tmp_path / "book.yaml"
    path.write_text(TEXT.replace("fill_to: 210 mL", "fill_to: 310 mL").replace("brim: 220 mL", "brim: 165 mL"), "utf-8")
    _, _, warnings = load(PROFILE, path)
    # Juice and soda at 350 mL/min for 300: (90 + 205) x 350 / 300; syrup at 338 for 290: 15 x 338 / 290. 362 mL in all.
    # Cups: (80 + 50) x 350 / 300 + 20 x 338 / 290 = 175 mL; 120 x 350 / 300 + 17 x 338 / 290 = 160 mL fits.
    assert [one.text.partition(": it will")[0] for one in warnings if one.file == str(path)] == [
        "recipe Orchard Fizz: at the upper edge of its pumps' flow a single may come to 362 mL, the serving_volume is "
        "350 mL",
        "recipe Hedgerow Cup: at the upper edge of its pumps' flow a single may come to 175 mL, the brim is 165 mL",
    ]
    strong = TEXT.replace("    brix: 50 %\n", "    abv: 95 %\n").replace(GINGER_DOSE, GINGER_DOSE[:-6] + "25 mL}")
    path.write_text(strong, "utf-8")
    # 25 mL of 95 % vol hold 18.7 g of ethanol, at the edge 338 / 290 of that.
    told = [one.text for one in load(PROFILE, path)[2] if "Orchard Fizz" in one.text]
    assert "a single may come to 21.8 g of ethanol, the serving_ethanol is 20 g" in told[0]


def test_house_measures_are_read_from_the_book():
    book, _ = load_book(BOOK, None)
    (dose,) = [dose for dose in book.recipe("Windfall Punch").phases[0].doses if dose.volume_ml is not None]
    assert dose.volume_ml == pytest.approx(4 * 0.8)


def test_an_undefined_measure_is_refused_where_it_is_used(tmp_path):
    changed = change(TEXT, "  - {measure: dash, volume: 0.8 mL}", "  - {measure: drop, volume: 0.05 mL}")
    (problem,) = book_problems(tmp_path, changed.text)
    assert 'dose of ginger syrup: "4 dash" has no fixed size' in problem.text


def test_a_broken_liquid_is_noted_once_and_not_at_its_doses(tmp_path):
    changed = change(TEXT, "    brix: 50 %", f"    brix: {HERE}50 kg")
    problems = book_problems(tmp_path, changed.text)
    assert_refused(problems, changed, "liquid ginger syrup brix")
    assert len(problems) == 1


def test_problems_of_both_files_come_together(tmp_path):
    profile, book = tmp_path / "profile.yaml", tmp_path / "book.yaml"
    profile.write_text(PROFILE.read_text(encoding="utf-8").replace("rated: 5 A", "rated: 5"), encoding="utf-8")
    book.write_text(TEXT.replace("volume: 90 mL", "volume: 90"), encoding="utf-8")
    with pytest.raises(FileProblems) as error:
        load(profile, book)
    assert {one.file for one in error.value.problems} == {str(profile), str(book)}
    assert len(error.value.problems) == 2
    assert error.value.exit_code == 2


def test_a_book_is_held_against_what_is_sound_in_a_broken_profile(tmp_path):
    profile, book = tmp_path / "profile.yaml", tmp_path / "book.yaml"
    profile.write_text(PROFILE.read_text(encoding="utf-8").replace("rated: 5 A", "rated: 5"), encoding="utf-8")
    book.write_text(TEXT.replace("{line: 6, liquid: soda", "{line: 7, liquid: soda"), encoding="utf-8")
    with pytest.raises(FileProblems) as error:
        load(profile, book)
    assert [one.file for one in error.value.problems] == [str(book), str(profile)]
    assert "no such line" in error.value.problems[0].text


def density_warnings(tmp_path, text):
    path = tmp_path / "book.yaml"
    path.write_text(text, encoding="utf-8")
    _, warnings = load_book(path, None)
    return [one.text for one in warnings if "the density of these is not known" in one.text]


def test_liquids_of_unknown_density_are_named_once_with_what_that_costs_and_the_ways_in(tmp_path):
    assert density_warnings(tmp_path, TEXT) == []
    silent = TEXT.replace("    brix: 11 %\n", "").replace("    brix: 50 %\n", "")
    (text,) = density_warnings(tmp_path, silent)
    for fact in ("apple juice 6.0 mL", "ginger syrup 6.0 mL", "50 mL", "hydrometer", "weighed_100_ml", "refractometer"):
        assert fact in text
    assert "soda" not in text


@pytest.mark.parametrize("way", ["hydrometer: 1046 kg/m3\n    hydrometer_at: 15 degC", "weighed_100_ml: 104.2 g"])
def test_a_hydrometer_or_a_weighed_100_ml_states_a_density(tmp_path, way):
    measured = TEXT.replace("    brix: 11 %\n", f"    {way}\n")
    assert density_warnings(tmp_path, measured) == []
    both = TEXT.replace("    brix: 11 %\n", f"    {way}\n    brix: 11 %\n")
    (problem,) = book_problems(tmp_path, both)
    assert "brix are both given. Keep the one that was measured." in problem.text


def test_glasses_that_no_scale_can_tell_apart_are_named_and_those_of_the_demo_can_be(tmp_path):
    """With 12 g and 15 g of tolerance, tares 27 g apart overlap; 28 g do not."""
    path = tmp_path / "book.yaml"
    for tare, is_alike in (("425 g", False), ("337 g", True), ("338 g", False)):
        path.write_text(change(TEXT, "tare: 425 g", f"tare: {tare}").text)
        _, _, warnings = load(PROFILE, path)
        found = [one.text for one in warnings if "cannot tell them apart" in one.text]
        assert bool(found) is is_alike, tare
        assert all("within 27 g of the tumbler" in one for one in found)
