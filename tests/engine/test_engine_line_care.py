"""What a line needs next, by what it holds: the tables, and a walk through every start that always comes to an end."""

from itertools import product

import pytest
from msgspec.structs import replace

from controller.engine.line_care import Fill, to_close, to_fill, within_jug
from controller.model.book import Book, Liquid
from controller.model.messages import LineReport
from controller.model.states import Contents, OperationKind
from controller.safety.contents import ALLOWED

C = Contents
BEGUN = 1000.0
BOOK = Book(
    title="supper",
    liquids=(
        Liquid(liquid="sloe gin", abv_percent=26.0),
        Liquid(liquid="perry", abv_percent=5.5, allergens=("sulphites",)),
        Liquid(liquid="vermouth", abv_percent=16.0, allergens=("sulphites",)),
        Liquid(liquid="cider vinegar", abv_percent=1.2),
        Liquid(liquid="soda"),
        Liquid(liquid="apple juice"),
    ),
    glasses=(),
    recipes=(),
    lines=(),
)


def line(contents, **more):
    holds = "soda" if contents is C.LIQUID else None
    wet = {"residues": ("soda",), "wetted_wall_s": 500.0}
    return LineReport(
        **({"line": 1, "liquid": "soda", "contents": contents, "holds": holds, "is_on": False} | wet | more)
    )


@pytest.mark.parametrize(
    ("report", "need"),
    [
        (line(C.LIQUID), "purge"),
        (line(C.UNKNOWN), "purge"),
        (line(C.EMPTY), "clean"),
        (line(C.RINSE_WATER), "clean"),  # rinsed, but not cleaned since
        (line(C.RINSE_WATER, cleaned_wall_s=900.0), "clean"),  # that was the last evening
        (line(C.CLEANER), "rinse"),
        (line(C.RINSE_WATER, cleaned_wall_s=1100.0), None),
        (line(C.EMPTY, cleaned_wall_s=1100.0), None),
        (line(C.EMPTY, residues=(), wetted_wall_s=None), None),  # never wet
        (line(C.EMPTY, residues=(), wetted_wall_s=None, doubtful=True), "clean"),
    ],
)
def test_the_next_thing_for_a_clean_line(report, need):
    assert to_close(report, BEGUN, dry=False) == need


def test_dry_lines_are_emptied_at_the_very_end():
    rinsed = line(C.RINSE_WATER, cleaned_wall_s=1100.0)
    assert to_close(rinsed, BEGUN, dry=True) == "purge"
    assert to_close(replace(rinsed, contents=C.EMPTY), BEGUN, dry=True) is None


@pytest.mark.parametrize(
    ("report", "liquid", "need"),
    [
        (line(C.LIQUID), "soda", "prime"),
        (line(C.LIQUID), "apple juice", "purge"),
        (line(C.EMPTY), "apple juice", "rinse"),
        (line(C.EMPTY), "soda", "prime"),
        (line(C.EMPTY, residues=()), "apple juice", "prime"),
        (line(C.RINSE_WATER, residues=()), "apple juice", "prime"),
        (line(C.EMPTY, residues=("perry",), traces=("sulphites",)), "apple juice", "clean"),  # another allergen
        (line(C.EMPTY, residues=("perry",), traces=("sulphites",)), "vermouth", "rinse"),  # the same allergen
        (line(C.EMPTY, residues=("sloe gin",)), "apple juice", "clean"),  # alcohol before none
        (line(C.EMPTY, residues=("cider vinegar",)), "apple juice", "rinse"),  # 1.2 % vol is declared as none
        (line(C.EMPTY, residues=("soda",)), "sloe gin", "rinse"),
        (line(C.EMPTY, residues=(), doubtful=True), "soda", "clean"),
        (line(C.LIQUID, doubtful=True), "soda", "purge"),
        (line(C.CLEANER), "soda", "rinse"),
        (line(C.UNKNOWN), "soda", "purge"),
    ],
)
def test_the_next_thing_for_another_liquid(report, liquid, need):
    assert to_fill(report, Fill(liquid=liquid, begun_wall_s=BEGUN), BOOK) == need


def test_a_line_past_its_time_is_rinsed_or_cleaned_on_the_way():
    rinse = Fill(liquid="soda", begun_wall_s=BEGUN, at_least="rinse")
    clean = Fill(liquid="soda", begun_wall_s=BEGUN, at_least="clean")
    assert [to_fill(line(contents), rinse, BOOK) for contents in (C.LIQUID, C.EMPTY, C.RINSE_WATER)] == [
        "purge",
        "rinse",
        "prime",
    ]
    assert to_fill(line(C.EMPTY), clean, BOOK) == "clean"
    assert to_fill(line(C.RINSE_WATER, residues=(), cleaned_wall_s=1100.0), clean, BOOK) == "prime"


def after(report, need, liquid):
    """The line after the step went well, as the guard would report it."""
    match need:
        case "purge":
            return replace(report, contents=C.EMPTY, holds=None)
        case "clean":
            return replace(report, contents=C.CLEANER, holds=None, soaked_wall_s=1050.0)
        case "rinse":
            is_clean = report.soaked_wall_s is not None
            rinsed = replace(report, contents=C.RINSE_WATER, holds=None, residues=(), soaked_wall_s=None)
            cleaned = {"traces": (), "doubtful": False, "wetted_wall_s": None, "cleaned_wall_s": 1100.0}
            return replace(rinsed, **cleaned) if is_clean else rinsed
    return replace(report, contents=C.LIQUID, holds=liquid, residues=(liquid,))


STARTS = [
    line(contents, residues=residues, traces=traces, doubtful=doubtful, holds=holds)
    for contents, residues, traces, doubtful in product(
        Contents, ((), ("soda",), ("sloe gin", "perry")), ((), ("sulphites", "milk")), (False, True)
    )
    for holds in (("soda", "perry") if contents is C.LIQUID else (None,))
]


def steps_to_the_end(report, goal):
    """The steps of a sequence, each held against what the guard allows, and the line at its end."""
    steps: list[str] = []
    while len(steps) < 8:
        need = (
            to_close(report, BEGUN, dry=False)
            if goal == "close"
            else to_fill(report, Fill(liquid=goal, begun_wall_s=BEGUN), BOOK)
        )
        if need is None:
            return steps, report
        assert OperationKind(need) in ALLOWED[report.contents], (report, steps)
        steps.append(need)
        report = after(report, need, goal)
        if need == "prime":
            return steps, report
    raise AssertionError(f"no end: {steps}")


@pytest.mark.parametrize("goal", ["close", "soda", "vermouth"])
def test_from_every_start_each_step_is_allowed_by_the_guard_and_the_end_is_reached(goal):
    for start in STARTS:
        steps, end = steps_to_the_end(start, goal)
        if goal != "close":
            assert steps[-1] == "prime"
            assert not end.doubtful
            assert set(end.traces) <= set(BOOK.liquid(goal).allergens)


def test_a_jug_takes_what_fits_and_at_least_one_line():
    assert within_jug([(1, 60.0), (2, 50.0), (3, 40.0)], 115.0) == (1, 2)
    assert within_jug([(1, 60.0), (2, 50.0)], 10.0) == (1,)
    assert within_jug([], 10.0) == ()
