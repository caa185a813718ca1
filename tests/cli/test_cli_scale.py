"""`tundish scale`: what is shown of the scale, and how its process is started."""

from pathlib import Path

import pytest

from controller.cli.scale.commands import draw_scale, draw_span
from controller.cli.scale.process import become_scale, words
from controller.errors import Refused
from controller.model.scale import Scale, ScaleSetting, Span
from controller.model.scale_views import ScaleView, SpanBudgetLine, SpanView

ROOT = Path(__file__).resolve().parents[2]
SPAN = Span(counts_per_g=430.0, u_fraction=0.0005, mass_g=500.0, wall_s=1_789_000_000.0)


def test_a_scale_is_shown_with_its_uncertainty_and_what_is_wrong():
    view = ScaleView(
        doubt="",
        says="",
        setting=ScaleSetting(zeroed_wall_s=1_789_000_000.0, span=SPAN),
        capacity_g=5000.0,
        load_g=312.4,
        u_load_g=0.2,
        noise_g=0.15,
        readings_per_s=5.0,
        findings=("the load creeps.",),
    )
    shown = draw_scale(view)
    for fact in ("312.4 g +- 0.40 g", "0.15 g", "430.00 counts/g +- 0.10 %, with 500 g", "the load creeps."):
        assert fact in shown


def test_a_scale_that_was_never_set_up_says_what_to_do():
    shown = draw_scale(ScaleView(doubt="unspanned", says="", setting=ScaleSetting(), capacity_g=5000.0))
    assert "never" in shown
    assert "tundish scale span" in shown


def test_a_span_says_how_good_it_is():
    """By hand: 0.05 % standard uncertainty are 0.1 % at 95 %, and 0.30 g in 300 g."""
    budget = (SpanBudgetLine(source="the known mass", evaluation="B", u_g=0.058),)
    shown = draw_span(SpanView(counts_per_g=430.0, mass_g=500.0, u_percent=0.05, budget=budget))
    assert "known to 0.10 % (95 %)" in shown
    assert "300 g in it is weighed to 0.30 g" in shown
    assert "0.058 g" in shown


@pytest.mark.parametrize(
    ("scale", "kind", "place"),
    [
        (Scale(converter="i2c", capacity_g=5000.0, bus=3), "i2c", "3"),
        (Scale(converter="kernel", capacity_g=5000.0), "kernel", "avia,hx711"),
        (Scale(converter="bench", capacity_g=5000.0), "bench", "/run/x/bench.sock"),
    ],
)
def test_the_process_is_told_its_converter_and_its_sockets(monkeypatch, scale: Scale, kind: str, place: str):
    monkeypatch.delenv("TUNDISH_LEASHED", raising=False)
    assert words(scale, Path("/run/x")) == [
        "-m", "controller.scale", kind, place, "80", "/run/x/guard/scale.sock", "/run/x/scale/scale.sock",
    ]  # fmt: skip
    monkeypatch.setenv("TUNDISH_LEASHED", "1")
    assert words(scale, Path("/run/x"))[2] == "--leashed"


def test_without_a_scale_there_is_no_such_process(tmp_path):
    with pytest.raises(Refused, match="no scale"):
        become_scale(ROOT / "hardware_profiles/bench_six_line.yaml", tmp_path)
