"""A few images of the longer command `python3 tests power-cut`, so that every run of the tests pulls the plug."""

import random
import shutil

import pytest

from tests import power_cut
from tests.power_cuts.card import MARKS, OnCard, Op, cuts
from tests.power_cuts.examine import known

needs_strace = pytest.mark.skipif(
    shutil.which("strace") is None, reason="strace is not installed, and without it no write is seen"
)


@needs_strace
def test_a_machine_starts_on_what_a_cut_left_and_has_lost_nothing():
    count, complaints = power_cut.run(images=12, seed=20, every_sync=False, actions=3)
    assert complaints == []
    assert count > 30


@needs_strace
def test_a_program_that_did_not_sync_would_be_found_out():
    _, complaints = power_cut.run(images=3, seed=20, every_sync=False, actions=1, card_lies=True)
    assert any("is not in the ledger" in one for one in complaints)
    assert any("liquid was" in one for one in complaints) or any("contents" in one for one in complaints)


def test_the_card_keeps_what_was_synced_and_may_lose_the_rest():
    ops = [Op("write", "f", 0, b"old"), Op("sync", "f"), Op("write", "f", 1, b"NEW"), Op("size", "f", 2)]
    card = {cut.at: cut for cut in cuts(ops, frozenset({1, 3, 4}))}[4]
    assert card.image("lost", random.Random(1)) == {"f": b"old"}
    assert card.image("kept", random.Random(1)) == {"f": b"oN"}


def test_a_write_is_torn_at_sectors():
    file = OnCard(b"", [Op("write", "f", 500, b"x" * 600)])
    images = {file.torn(random.Random(seed)) for seed in range(40)}
    assert {image.count(b"x") for image in images} == {0, 12, 512, 76, 12 + 512, 12 + 76, 512 + 76, 600}


def test_promises_made_before_the_cut_are_read_from_the_marks():
    marks = (
        b'{"word":"asked","operation":"a","recipe":"Perry Spritz","key":"table 1"}\n',
        b'{"word":"holds","left":{"3":700.0}}\n',
        b'{"word":"planned","operation":"a","kind":"serve","on_s":{"3":4.0}}\n{"word":"asks","button":true}\n',
        b'{"word":"on","operation":"a","line":3}\n{"word":"holds","left":{"3":690.0}}\n',
        b'{"word":"pressed"}\n{"word":"ended","operation":"a","outcome":"faulted","delivered":{"3":9.0}}\n',
    )
    ops = [Op("write", MARKS, 0, text) for text in marks]
    (cut,) = cuts(ops, frozenset({4}))
    told = known(cut.marks)
    assert (told.under_way, told.planned_s, told.on, told.ended) == ("a", {"3": 4.0}, {"3"}, {})
    assert (told.held_before, told.held, told.pending) == ({"3": 700.0}, {"3": 690.0}, {"fault"})
    after = known(b"".join(marks))
    assert (after.under_way, after.pending, after.ended["a"]["outcome"]) == (None, set(), "faulted")
