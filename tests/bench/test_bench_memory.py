"""What a bench remembers from one start to the next."""

import pytest
from msgspec.structs import replace

from controller.bench.memory import read_memory, write_memory
from controller.bench.truth import draw
from controller.errors import FileProblems
from controller.model.book import Book
from tests.bench import fete_machine as fete
from tests.bench.desk import Desk


@pytest.fixture
def used() -> Desk:
    desk = Desk(seed=3)
    desk.plant.place_glass("tumbler")
    desk.fill(1)
    desk.run(4, 2.0)
    desk.plant.unhang(5)
    return desk


def test_a_bench_goes_on_where_it_was_left(used, tmp_path):
    write_memory(tmp_path / "memory.json", used.plant.remember())
    memory = read_memory(tmp_path / "memory.json", used.profile.machine, used.plant.truth)
    again = Desk(seed=3, memory=memory)
    before, after = used.plant.report(), again.plant.report()
    # Decimal text holds every digit of a binary fraction, so nothing is lost on the way through the file.
    assert (after.lines, after.glass_ml, after.funnel_ml) == (before.lines, before.glass_ml, before.funnel_ml)
    assert [used.run(1, 3.0) for _ in range(3)] == pytest.approx([again.run(1, 3.0) for _ in range(3)], rel=1e-9)


def test_no_file_is_no_memory(used, tmp_path):
    assert read_memory(tmp_path / "none.json", used.profile.machine, used.plant.truth) is None


def test_a_memory_of_another_machine_seed_or_book_is_left_aside(used, tmp_path):
    path = tmp_path / "memory.json"
    write_memory(path, used.plant.remember())
    truth, book = used.plant.truth, fete.book()
    without_juice = Book(title="dry", liquids=book.liquids[1:], glasses=book.glasses, recipes=(), lines=book.lines[1:])
    assert read_memory(path, used.profile.machine, truth) is not None
    assert read_memory(path, "another machine", truth) is None
    assert read_memory(path, used.profile.machine, replace(truth, seed=4)) is None
    assert read_memory(path, used.profile.machine, draw(used.profile, without_juice, 3)) is None
    fewer = replace(truth, lines={1: truth.lines[1]})
    assert read_memory(path, used.profile.machine, fewer) is None


@pytest.mark.parametrize("spoilt", ["", "{", '{"machine": "fete bench"}', "[]"])
def test_a_spoilt_memory_is_refused_with_the_way_out(used, tmp_path, spoilt):
    path = tmp_path / "memory.json"
    path.write_text(spoilt)
    with pytest.raises(FileProblems, match=r"memory\.json:1:1: this is no bench's memory: .*Delete it"):
        read_memory(path, used.profile.machine, used.plant.truth)
