"""Pictures: what they say in words, since colour alone must not tell anything."""

import sys
import xml.etree.ElementTree as ET

import msgspec
import pytest

from controller.cli.pictures.calibration import draw_calibration
from controller.cli.pictures.plan import draw_plan
from controller.errors import TundishError
from controller.model.learning import LearnedPoint
from controller.model.plan import PlannedRun, Segment
from controller.model.views import DoseError, FitView, PlanView, TrialView


def run(line, liquid, start_s, duration_s, volume_ml):
    return PlannedRun(line=line, liquid=liquid, start_s=start_s, duration_s=duration_s, volume_ml=volume_ml)


PLAN = PlanView(
    recipe="Iced Orchard Tea",
    times=2.0,
    glass="tumbler",
    segments=(
        Segment(runs=(run(1, "apple juice", 0.0, 10.0, 60.0), run(4, "lime cordial", 0.1, 3.0, 15.0))),
        Segment(runs=(run(5, "cold tea", 0.0, 20.0, 100.0),), hand="add four cubes of ice"),
    ),
    makespan_s=30.0,
    one_at_a_time_s=33.0,
    lower_bound_s=30.0,
    proven=True,
    binding="longest run",
    too_slow="",
    current_limit_a=3.4,
    flow_limit_ml_s=35.0,
    current_a=((0.0, 1.4), (0.08, 0.55), (0.1, 1.95), (0.18, 1.1), (3.1, 0.55), (30.0, 0.0)),
    flow_ml_s=((0.0, 6.0), (0.1, 11.0), (3.1, 6.0), (10.0, 5.0), (30.0, 0.0)),
)
FIT = FitView(
    line=3,
    liquid="ginger syrup",
    density_kg_m3=1229.7,
    trials=tuple(
        TrialView(operation="op", on_s=on_s, grams=1.0, volume_ml=4 * on_s, others_a=0.0, residual_ml=residual)
        for on_s, residual in ((4.0, 0.1), (16.0, -0.1), (8.0, None))
    ),
    calibration=None,
    scatter_ml=None,
    smallest_dose_ml=None,
    doses=(
        DoseError(dose_ml=50.0, run_s=12.0, u95_ml=0.8, tolerance_ml=2.0),
        DoseError(dose_ml=200.0, run_s=48.0, u95_ml=3.4, tolerance_ml=6.0),
    ),
    warnings=(),
    next_on_s=None,
)


def words(path):
    """Every text of an SVG picture."""
    texts = ET.parse(path).iter("{http://www.w3.org/2000/svg}text")
    return " | ".join("".join(one.itertext()).strip() for one in texts)


def test_a_plan_names_lines_liquids_volumes_limits_and_hand_steps(tmp_path):
    draw_plan(PLAN, tmp_path / "plan.svg")
    said = words(tmp_path / "plan.svg")
    for word in ("line 1", "line 4", "line 5", "apple juice 60.0 mL", "lime cordial 15.0 mL", "cold tea 100.0 mL",
                 "limit 3.4 A", "limit 35 mL/s", "by hand: add four cubes of ice", "Iced Orchard Tea x 2",
                 "what limits it: longest run"):  # fmt: skip
        assert word in said


def test_the_same_plan_gives_the_same_file(tmp_path):
    for name in ("one.svg", "two.svg"):
        draw_plan(PLAN, tmp_path / name)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()


def test_a_png_is_a_png(tmp_path):
    """Its first eight bytes: PNG specification (third edition), section 5.2."""
    draw_plan(PLAN, tmp_path / "plan.png")
    draw_calibration(FIT, (), tmp_path / "fit.PNG")
    for name in ("plan.png", "fit.PNG"):
        assert (tmp_path / name).read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_calibration_names_the_tolerance_and_leaves_out_what_is_not_known(tmp_path):
    draw_calibration(FIT, (), tmp_path / "fit.svg")
    said = words(tmp_path / "fit.svg")
    assert "line 3, ginger syrup" in said
    assert "2014/32/EU" in said
    draw_calibration(msgspec.structs.replace(FIT, trials=(), doses=()), (), tmp_path / "empty.svg")
    assert "line 3" in words(tmp_path / "empty.svg")


def test_an_accepted_calibration_shows_the_trials_behind_it(tmp_path):
    accepted = msgspec.structs.replace(FIT, trials=(), behind=FIT.trials)
    draw_calibration(FIT, (), tmp_path / "before.svg")
    draw_calibration(accepted, (), tmp_path / "after.svg")
    assert (tmp_path / "after.svg").read_bytes() == (tmp_path / "before.svg").read_bytes()


@pytest.mark.parametrize("name", ["plan.pdf", "plan", "plan.jpg"])
def test_only_svg_and_png(tmp_path, name):
    with pytest.raises(TundishError, match="\\.svg or \\.png"):
        draw_plan(PLAN, tmp_path / name)


def test_an_unwritable_path_is_reported(tmp_path):
    with pytest.raises(TundishError, match="cannot write"):
        draw_plan(PLAN, tmp_path / "nowhere" / "plan.svg")


def test_without_matplotlib_the_message_says_how_to_install_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(TundishError, match=r"tundish\[pictures\]"):
        draw_plan(PLAN, tmp_path / "plan.svg")


def test_a_calibration_with_weighed_servings_since_shows_the_path_of_its_flow(tmp_path):
    learned = tuple(
        LearnedPoint(
            line=3,
            wall_s=1.0 * number,
            operation=f"{number}",
            flow_ml_s=4.8 - 0.02 * number,
            u_flow_ml_s=0.05 / number,
            asked_ml=20.0,
            weighed_ml=20.1,
            u_weighed_ml=0.1,
            deviations=0.5,
        )
        for number in range(1, 6)
    )
    draw_calibration(FIT, learned, tmp_path / "path.svg")
    assert "weighed servings since the calibration" in words(tmp_path / "path.svg")
    draw_calibration(FIT, (), tmp_path / "plain.svg")
    assert "weighed servings" not in words(tmp_path / "plain.svg")
