"""What planner and guard make of each pump's own flow: no example drink is refused for it on 200 drawn machines."""

import random
from pathlib import Path

import pytest
from msgspec.structs import replace

from controller.bench.perfect import perfect_calibration
from controller.bench.truth import draw
from controller.config import load
from controller.metering.flow_band import commissioned
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.doses import resolve
from controller.model.messages import InputReport
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.profile import CalibrationBand, Profile
from controller.model.states import Contents, OperationKind
from controller.safety.admission import Situation, start
from controller.safety.records import LineState, Memory
from controller.sequencing.line_runs import most_ml, wetting_runs
from controller.sequencing.plan import plan_serving
from controller.sequencing.twins import one_line_each

ROOT = Path(__file__).parents[2]
PAIRS = {"orchard fete": ("six_line", "orchard_fete"), "harvest supper": ("eight_line", "harvest_supper")}
FOR_VOLUME = frozenset({"serving_volume", "glass", "serving_ethanol"})
U_FLOW, U_LAG_S = 0.005, 0.008  # relative, s: about what a careful calibration reaches


def files(pair: str) -> tuple[Profile, Book]:
    profile, book = PAIRS[pair]
    return load(ROOT / "hardware_profiles" / f"{profile}.yaml", ROOT / "demo" / f"{book}.yaml")[:2]


def calibrations(profile: Profile, book: Book, seed: int) -> dict[int, Calibration]:
    """Careful calibrations of the machine of this seed, off by as much as they may be."""
    truth, rng = draw(profile, book, seed), random.Random(seed)
    found = {}
    for on in book.lines:
        true = perfect_calibration(truth, on.line, on.liquid)
        found[on.line] = Calibration(
            line=on.line,
            liquid=on.liquid,
            flow_ml_s=true.flow_ml_s * (1 + U_FLOW * rng.uniform(-2, 2)),
            lag_s=true.lag_s + U_LAG_S * rng.uniform(-2, 2),
            u_flow_ml_s=U_FLOW * true.flow_ml_s,
            u_lag_s=U_LAG_S,
            cov_flow_lag=0.0,
            sag_per_a=true.sag_per_a,
            scatter_ml=true.ripple_ml,
            scatter_fraction=true.scatter_fraction,
        )
    return found


def situation(profile: Profile, book: Book, known: dict[int, Calibration]) -> Situation:
    lines = tuple(
        LineState(line=on.line, assigned=on.liquid, contents=Contents.LIQUID, holds=on.liquid) for on in book.lines
    )
    memory = Memory(lines=lines, calibrations=tuple(known.values()))
    inputs = InputReport(stop_pressed=False, glass_present=True, tray_full=False)
    return Situation(profile=profile, book=book, memory=memory, inputs=inputs, now_s=1e6, wall_s=1e9, jug_ml=2000.0)


def refused(profile: Profile, book: Book, known: dict[int, Calibration]) -> set[str]:
    """Recipes that are refused for their volume or strength, each run beside as much as the supply gives."""
    now, found = situation(profile, book, known), set[str]()
    line_of = {on.liquid: on.line for on in book.lines}
    for recipe in book.recipes:
        at_s, segments = 0.0, []
        for phase in resolve(recipe, book):
            runs = []
            for liquid, volume_ml in phase.doses:
                calibration = known[line_of[liquid]]
                sag = 1 - calibration.sag_per_a * (profile.caps.current_a - profile.line(line_of[liquid]).pump.run_a)
                on_s = volume_ml / (calibration.flow_ml_s * sag) + calibration.lag_s
                runs.append(
                    PlannedRun(line=line_of[liquid], liquid=liquid, start_s=at_s, duration_s=on_s, volume_ml=volume_ml)
                )
                at_s += on_s + 0.2
            segments.append(Segment(runs=tuple(runs), hand=phase.hand, takes_ml=phase.takes_ml))
            at_s = 0.0
        operation = Operation(
            operation=recipe.recipe, kind=OperationKind.SERVE, segments=tuple(segments), glass=recipe.glass
        )
        if {one.rule for one in start(operation, now)} & FOR_VOLUME:
            found.add(recipe.recipe)
    return found


@pytest.mark.parametrize("pair", PAIRS)
def test_no_example_drink_is_refused_for_its_volume_on_200_drawn_machines(pair):
    profile, book = files(pair)
    found = {seed: refused(profile, book, calibrations(profile, book, seed)) for seed in range(200)}
    assert {seed: names for seed, names in found.items() if names} == {}


def test_a_flat_band_of_40_percent_would_refuse_a_fifth_of_them():
    share = []
    for pair in PAIRS:
        profile, book = files(pair)
        flat = replace(
            profile,
            lines=tuple(replace(line, flow=None) for line in profile.lines),
            calibration=CalibrationBand(flow_fraction=0.4),
        )
        share += [len(refused(flat, book, calibrations(flat, book, seed))) / len(book.recipes) for seed in range(20)]
    assert sum(share) / len(share) > 0.15


@pytest.mark.parametrize("pair", PAIRS)
def test_a_commissioned_machine_states_its_own_flows_and_pours_what_it_poured(pair):
    """What calibration prints holds the pump with every fluid, alone and beside all that the supply gives."""
    profile, book = files(pair)
    for seed in range(40):
        known, truth = calibrations(profile, book, seed), draw(profile, book, seed)
        bands = {number: commissioned(one) for number, one in known.items()}
        for number, band in bands.items():
            for fluid in truth.fluids:
                true = perfect_calibration(truth, number, fluid)
                assert true.flow_ml_s <= band.most_ml_s
                assert true.flow_ml_s * (1 - true.sag_per_a * profile.caps.current_a) >= band.least_ml_s
        lines = tuple(replace(line, flow=bands.get(line.line, line.flow)) for line in profile.lines)
        assert refused(replace(profile, lines=lines), book, known) == set()


@pytest.mark.parametrize("pair", PAIRS)
def test_the_guard_admits_what_the_planner_makes_of_every_drink(pair):
    profile, book = files(pair)
    for seed in range(3):
        known = calibrations(profile, book, seed)
        now, lines = situation(profile, book, known), {on.liquid: on.line for on in book.lines}
        for recipe in book.recipes:
            plan = plan_serving(profile, known, one_line_each(lines), resolve(recipe, book))
            operation = Operation(
                operation=f"{recipe.recipe} {seed}",
                kind=OperationKind.SERVE,
                segments=plan.segments,
                glass=recipe.glass,
            )
            assert [one.rule for one in start(operation, now)] == [], recipe.recipe


@pytest.mark.parametrize("kind", [OperationKind.PRIME, OperationKind.PURGE, OperationKind.RINSE])
def test_what_the_planner_reckons_into_a_jug_the_guard_reckons_too(kind):
    profile, book = files("orchard fete")
    known = calibrations(profile, book, 1)
    runs = wetting_runs(profile, known, kind, {on.line: on.liquid for on in book.lines})
    jug_ml = most_ml(profile, known, runs)
    operation = Operation(operation="x", kind=kind, segments=(Segment(runs=runs),), jug=True)
    now = situation(profile, book, known)
    for room_ml, rules in ((jug_ml * 1.000001, []), (jug_ml * 0.999, ["jug"])):
        held = Situation(**{**vars(now), "jug_ml": room_ml})
        assert [one.rule for one in start(operation, held)] == rules
