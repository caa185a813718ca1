"""Containers against exhaustive search; losses from line volumes worked by hand."""

import math
import random
from itertools import product

import msgspec
import pytest

from controller.catering.shopping import choose, cleaning_ml, drawable_ml, prime_ml, sizes_ml
from controller.metering.package_tolerance import tolerable_error_ml
from controller.sequencing.line_runs import RINSE_MARGIN
from tests.catering.evening_parts import book, event, profile


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
    chosen = choose(need_ml, [(size, size - lost_ml) for size in sizes])
    bought = sum(one.count * one.container_ml for one in chosen), sum(one.count for one in chosen)
    assert bought == _exhaustive(need_ml, sizes, lost_ml)


def test_a_size_that_is_all_loss_is_never_bought():
    chosen = choose(900.0, [(1000.0, 950.0), (50.0, 0.0), (20.0, -30.0)])
    assert [(one.container_ml, one.count) for one in chosen] == [(1000.0, 1)]


def test_a_large_need_is_covered():
    chosen = choose(500_000.0, [(5000.0, 4937.0), (700.0, 637.0)])
    covered = sum(one.count * (one.container_ml - 63.0) for one in chosen)
    # Within what the table's step (1/20,000 of the need) can miss per container.
    assert 500_000.0 <= covered <= 500_000.0 + 700.0 + 25.0 * sum(one.count for one in chosen)


def test_losses_follow_from_bore_and_length():
    # Line 1: 3 mm bore, 0.5 + 0.7 m: pi/4 * 9 mm2 * 1.2 m = 8.482 mL. Priming moves 1.1 of that at
    # 225 mL/min, so at 300 mL/min 1.1 x 300 / 225.
    assert prime_ml(profile(), 1) == pytest.approx(12.44, abs=0.01)
    # Line 2: 4 mm bore, 0.4 + 0.5 m: 11.310 mL, 290 / 217. Cleaner 1.1 tube volumes; rinse water 5 and a margin.
    cleaner_ml, water_ml = cleaning_ml(profile(), [1, 2])
    usual_ml = 8.482 * 300 / 225 + 11.310 * 290 / 217
    assert cleaner_ml == pytest.approx(1.1 * usual_ml, abs=0.01)
    assert water_ml == pytest.approx(5 * RINSE_MARGIN * usual_ml, abs=0.01)


def test_a_container_counts_for_what_surely_comes_out_of_it():
    # 3 L on line 1: less 12.44 mL primed, 20 mL residue, and 45 mL that a 3 L package may lawfully lack (1.5 %).
    assert drawable_ml(event(), profile(), 1, 3000.0) == pytest.approx(3000.0 - 12.44 - 20.0 - 45.0, abs=0.01)


@pytest.mark.parametrize(
    ("nominal_ml", "tolerable_ml"),
    # Directive 76/211/EEC, Annex I, 2.4, as amended (from memory).
    [(25, 2.25), (50, 4.5), (75, 4.5), (150, 6.75), (250, 9), (330, 9.9), (700, 15), (1000, 15), (5000, 75)],
)
def test_prepackages_may_fall_short_by_the_tolerable_error(nominal_ml, tolerable_ml):
    assert tolerable_error_ml(nominal_ml) == pytest.approx(tolerable_ml)


def test_what_is_not_on_sale_comes_in_the_books_container():
    assert sizes_ml(event(), book(), "apple juice") == (3000.0, 1000.0)
    assert sizes_ml(event(on_sale=()), book(), "apple juice") == (3000.0,)
    assert sizes_ml(event(on_sale=()), msgspec.structs.replace(book(), lines=()), "apple juice") == ()
