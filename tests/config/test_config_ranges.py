"""Every time, volume, current, flow and mass of a profile has a range with a reason, and a usual range within it."""

import math
from copy import deepcopy
from itertools import pairwise

import pytest
import yaml

from controller.config import load_profile
from controller.config.diagnostics import Notes
from controller.config.keys import Group, Key, ListOf, Quantity, keys_of
from controller.config.nodes import read_tree
from controller.config.walk import Walker
from controller.model.profile import Profile
from tests.config.faulty_files import ROOT, profile_problems

BOUNDED = {"s", "mL", "A", "mL/s", "g"}
EIGHT = yaml.safe_load((ROOT / "hardware_profiles" / "eight_line.yaml").read_text(encoding="utf-8"))


def _quantities(cls, path=()):
    """Every key of such a unit below cls, with the way to it; a list counts by its first item."""
    for name, key in keys_of(cls).items():
        shape, way = key.shape, (*path, name)
        if isinstance(shape, ListOf):
            shape, way = shape.item, (*way, 0)
        if isinstance(shape, Group):
            yield from _quantities(shape.cls, way)
        elif isinstance(shape, Quantity) and shape.unit in BOUNDED:
            yield way, key


FOUND = [pytest.param(path, key, id=".".join(map(str, path))) for path, key in _quantities(Profile)]


def _with(path, value):
    """The eight-line machine, which has every part, with this value in place."""
    whole = deepcopy(EIGHT)
    place = whole
    for step, following in pairwise(path):
        place = place.setdefault(step, [] if following == 0 else {}) if isinstance(place, dict) else place[step]
    place[path[-1]] = value
    return yaml.safe_dump(whole, sort_keys=False)


def quantity(key: Key) -> Quantity:
    """The shape of a figure, or of each one in a list of them."""
    shape = key.shape.item if isinstance(key.shape, ListOf) else key.shape
    assert isinstance(shape, Quantity)
    return shape


def _about(path, problems):
    """Those that name the key."""
    return [one.text for one in problems if f" {path[-1]}: " in one.text]


def test_the_figures_of_every_part_are_checked():
    assert len(FOUND) >= 44
    assert {quantity(key).unit for _, key in _quantities(Profile)} == BOUNDED


@pytest.mark.parametrize(("path", "key"), FOUND)
def test_a_figure_outside_its_range_is_refused_with_the_reason(tmp_path, path, key: Key):
    shape = quantity(key)
    assert shape.why, "a range without a reason"
    assert math.isfinite(shape.high)
    for value in (shape.high * 1.01, shape.low if shape.above else shape.low - abs(shape.low) * 0.01 - 0.001):
        problems = profile_problems(tmp_path, _with(path, f"{value:.9f} {shape.unit}"))
        about = _about(path, problems)
        assert about, f"{value} {shape.unit} is accepted"
        assert shape.why in about[0] or "is negative" in about[0]


@pytest.mark.parametrize(("path", "key"), FOUND)
def test_a_figure_outside_its_usual_range_draws_a_warning(path, key: Key):
    shape = quantity(key)
    assert shape.usual is not None
    low, high = shape.usual
    assert shape.low <= low < high < shape.high
    if not key.required and isinstance(key.default, float | int):
        assert low <= key.default <= high, "the default must be usual"
    for value, is_odd in ((high * 1.001, True), (high * 0.999, False)):
        notes = Notes(file="profile.yaml")  # what the parts say of each other is left out: it would need other parts
        tree = read_tree(_with(path, f"{value:.9f} {shape.unit}"), notes)
        assert tree is not None
        Walker(notes, {}).read(tree, Group(cls=Profile), "")
        assert notes.problems == []
        odd = [text for text in _about(path, notes.warnings) if "is unusual" in text]
        assert bool(odd) is is_odd
        assert all(shape.why in text for text in odd)


def test_check_passes_the_warning_on(tmp_path):
    file = tmp_path / "profile.yaml"
    file.write_text(_with(("caps", "held"), "20 min"), encoding="utf-8")
    warnings = [one.text for one in load_profile(file)[1]]
    assert any(text.startswith('caps held: "20 min" is unusual; 10 s to 10 min is common:') for text in warnings)
