"""A few images of the longer command `python3 tests power-cut`, so that every run of the tests pulls the plug."""

import shutil

import power_cut
import pytest
from power_cut import MARKS, OnCard, Op


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed, and without it no write is seen")
def test_a_machine_starts_on_what_a_cut_left_and_has_lost_nothing():
    count, complaints = power_cut.run(images=8, seed=20, every_sync=False)
    assert complaints == []
    assert count > 20


def test_the_card_keeps_what_was_synced_and_may_lose_the_rest():
    ops = [Op("write", "f", 0, b"old"), Op("sync", "f"), Op("write", "f", 1, b"NEW"), Op("size", "f", 2)]
    card = {cut.at: cut for cut in power_cut.cuts(ops, frozenset({1, 3, 4}))}[4]
    assert card.image("lost", None) == {"f": b"old"}
    assert card.image("kept", None) == {"f": b"oN"}


def test_a_write_is_torn_at_sectors():
    file = OnCard(b"", [Op("write", "f", 500, b"x" * 600)])
    images = {file.torn(power_cut.random.Random(seed)) for seed in range(40)}
    assert {image.count(b"x") for image in images} == {0, 12, 512, 76, 12 + 512, 12 + 76, 512 + 76, 600}


def test_what_was_told_is_read_from_the_marks_before_the_cut():
    ops = [Op("write", MARKS, 0, text) for text in (b"ready\n", b"asked a\n", b"on a 3\n", b"done a done 3:9mL\n")]
    told = [power_cut.known(cut.marks) for cut in power_cut.cuts(ops, frozenset({3}))]
    assert (told[0].asked, told[0].moved, told[0].done) == ("a", {3}, {})
    after = power_cut.known(b"".join(op.data for op in ops))
    assert (after.asked, after.done) == (None, {"a": ("done", "3:9mL")})
