"""A short slice of the mutation campaign; `python3 tests mutations` runs the long one."""

import random

import pytest

from tests.mutations import EXAMPLES, campaign, main, mutate

SLICE = 30


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.name)
def test_mutated_examples_are_read_or_refused(example, tmp_path):
    tally = campaign(example, seed=20, runs=SLICE, folder=tmp_path)
    assert tally.accepted + tally.refused == SLICE
    # A campaign in which nothing is refused, or nothing passes, changes too little or too much to test anything.
    assert tally.accepted >= 5
    assert tally.refused >= SLICE // 3


def test_the_same_seed_makes_the_same_mutations():
    data = EXAMPLES[0].read_bytes()
    made = [mutate(data, random.Random(f"3 {run}")) for run in range(20)]
    assert made == [mutate(data, random.Random(f"3 {run}")) for run in range(20)]
    assert len(set(made)) >= 15


def test_a_traceback_ends_the_campaign_with_the_seed(monkeypatch, capsys):
    def broken(*_args, **_kwargs):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr("tests.mutations.try_file", broken)
    assert main(["--seed", "5", "--runs", "1"]) == 1
    assert "seed 5, run 0" in capsys.readouterr().err
