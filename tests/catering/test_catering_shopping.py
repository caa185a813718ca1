"""Containers against exhaustive search; losses from line volumes worked by hand."""

import math
import random
from itertools import product

import msgspec
import pytest
from evening_parts import book, event, profile

from controller.catering.shopping import choose, cleaning_ml, prime_ml, sizes_ml
from controller.sequencing.line_runs import RINSE_MARGIN


def _exhaustive(need_ml, sizes, lost_ml):
    """Least volume bought, then fewest containers, of all combinations."""
    counts = [range(math.ceil(need_ml / (size - lost_ml)) + 2) for size in sizes]
    fitting = [
        (sum(n * size for n, size in zip(some, sizes, strict=True)), sum(some))
        for some in product(*counts)
        if any(some) and sum(n * (size - lost_ml) for n, size in zip(some, sizes, strict=True)) >= need_ml
    ]
    return min(fitting)


@pytest.mark.parametrize("seed", range(40))
def test_no_other_choice_of_containers_buys_less(seed):
    rng = random.Random(seed)
    sizes = sorted(rng.sample([250.0, 330.0, 500.0, 700.0, 750.0, 1000.0, 1500.0, 3000.0], rng.randint(1, 3)))[::-1]
    need_ml, lost_ml = float(rng.randint(0, 6000)), float(rng.randint(0, 120))
    chosen = choose(need_ml, sizes, lost_ml)
    bought = sum(one.count * one.container_ml for one in chosen), sum(one.count for one in chosen)
    assert bought == _exhaustive(need_ml, sizes, lost_ml)


def test_a_size_that_is_all_loss_is_never_bought():
    chosen = choose(900.0, [1000.0, 50.0], 50.0)
    assert [(one.container_ml, one.count) for one in chosen] == [(1000.0, 1)]


def test_a_large_need_is_covered():
    chosen = choose(500_000.0, [5000.0, 700.0], 63.0)
    covered = sum(one.count * (one.container_ml - 63.0) for one in chosen)
    # Within what the table's step (1/20,000 of the need) can miss per container.
    assert 500_000.0 <= covered <= 500_000.0 + 700.0 + 25.0 * sum(one.count for one in chosen)


def test_losses_follow_from_bore_and_length():
    # Line 1: 3 mm bore, 0.5 + 0.7 m: pi/4 * 9 mm2 * 1.2 m = 8.482 mL. Priming draws 1.5 tube volumes.
    assert prime_ml(profile().line(1)) == pytest.approx(12.72, abs=0.01)
    # Line 2: 4 mm bore, 0.4 + 0.5 m: 11.310 mL. Cleaner 1.5 tube volumes; rinse water 5 and a margin.
    cleaner_ml, water_ml = cleaning_ml(profile(), [1, 2])
    assert cleaner_ml == pytest.approx(1.5 * (8.482 + 11.310), abs=0.01)
    assert water_ml == pytest.approx(5 * RINSE_MARGIN * (8.482 + 11.310), abs=0.01)


def test_what_is_not_on_sale_comes_in_the_books_container():
    assert sizes_ml(event(), book(), "apple juice") == (3000.0, 1000.0)
    assert sizes_ml(event(on_sale=()), book(), "apple juice") == (3000.0,)
    assert sizes_ml(event(on_sale=()), msgspec.structs.replace(book(), lines=()), "apple juice") == ()
