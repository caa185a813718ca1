"""Liquid that comes at rest, told from ice, drops, hands and knocks, on a signal written down here."""

import math
from itertools import product
from random import Random

import pytest

from controller.safety.evened import Evened
from controller.safety.rest_gain import RestGain
from tests.safety.test_weighed import RATE, noise, seconds


def gain(load_of, *, until_s: float = 12.0) -> float | None:
    """When liquid was found to come, with the last channel off at 0 s."""
    rng, rest = Random(5), RestGain()
    rest.watch(0.0)
    for at_s in seconds(0.0, until_s):
        if rest.read(at_s, 300.0 + load_of(at_s) + noise(rng)) is not None:
            return at_s
    return None


@pytest.mark.parametrize("flow_g_s", [0.7, 2.0, 4.0])
def test_liquid_that_comes_by_itself_is_found_before_2_s_after_5_g(flow_g_s):
    at_s = gain(lambda at_s: flow_g_s * max(0.0, at_s - 2.0), until_s=20.0)
    assert at_s is not None
    assert at_s <= 2.0 + 5.0 / flow_g_s + 2.0


@pytest.mark.parametrize(
    "load_of",
    [
        lambda at_s: 0.0,
        lambda at_s: 20.0 if at_s >= 3.0 else 0.0,
        lambda at_s: 0.3 * math.floor(min(at_s, 4.0)),
        lambda at_s: 300.0 if 3.0 <= at_s < 5.0 else 0.0,
        lambda at_s: 50.0 * math.exp(-(at_s - 3.0) / 0.1) * math.sin(60 * (at_s - 3.0)) if at_s >= 3.0 else 0.0,
    ],
    ids=["nothing", "ice", "drops", "hand", "knock"],
)
def test_ice_drops_a_hand_and_a_knock_are_no_liquid(load_of):
    assert gain(load_of) is None


def gain_as_converted(load_of, per_s: int = 10, *, until_s: float = 12.0) -> float | None:
    """The same as a converter at 10 readings a second shows it, of which so many a second are looked at."""
    rng, rest, even, kept = Random(5), RestGain(), Evened(RATE), []
    rest.watch(0.0)
    for at_s in seconds(-1.0, until_s):
        shown = even.add(at_s, 800.0 + load_of(at_s))
        if shown is not None:
            kept.append(at_s)
            if len(kept) % (10 // per_s) == 0 and rest.read(at_s, shown[1] + rng.gauss(0.0, 0.1)) is not None:
                return at_s
    return None


def test_ice_in_two_pieces_is_no_liquid_however_soon_one_follows_the_other():
    for gap_s, heights_g in product((k / 10 for k in range(2, 24)), [(9.0, 9.0), (9.2, 15.0), (18.0, 11.0)]):
        pieces = tuple(zip((3.03, 3.03 + gap_s), heights_g, strict=True))
        found = gain_as_converted(
            lambda at_s, pieces=pieces: sum(g * min(1.0, max(0.0, (at_s - s) / 0.1)) for s, g in pieces),
            until_s=8.0,
        )
        assert found is None, f"{pieces} (s, g) taken for liquid at {found} s"


def test_ice_put_in_piece_by_piece_at_an_even_pace_is_no_liquid():
    assert gain_as_converted(lambda at_s: 20.0 * max(0.0, math.floor(at_s / 2.0)), until_s=14.0) is None


@pytest.mark.parametrize("per_s", [5, 10])
@pytest.mark.parametrize("flow_g_s", [0.7, 2.0, 4.0])
def test_liquid_is_found_as_soon_at_the_slow_pace_of_a_machine_at_rest(flow_g_s, per_s):
    at_s = gain_as_converted(lambda at_s: flow_g_s * max(0.0, at_s - 3.0), per_s, until_s=20.0)
    assert at_s is not None
    assert at_s <= 3.0 + 5.0 / flow_g_s + 2.0
