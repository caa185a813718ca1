"""Long answers are worked out slice by slice: others have their turn between two, and one question's at a time."""

import asyncio

import pytest

from controller.engine.slices import TURNS, LoopTurns, at_once


def question(name, slices, log):
    for number in range(slices):
        log.append(f"{name}{number}")
        yield
    return name


def test_the_answer_is_the_same_at_once_and_in_turns():
    log: list[str] = []
    assert at_once(question("a", 3, log)) == "a"
    assert asyncio.run(LoopTurns().answer(question("a", 3, log))) == "a"
    assert log == ["a0", "a1", "a2"] * 2


def test_between_two_slices_everything_else_has_a_turn_and_no_second_question_is_taken_up():
    log = []

    async def beat():
        while True:
            log.append("beat")
            await asyncio.sleep(0)

    async def scene():
        turns = LoopTurns()
        beating = asyncio.create_task(beat())
        answers = await asyncio.gather(*(turns.answer(question(name, 4, log)) for name in "abc"))
        beating.cancel()
        return answers

    assert asyncio.run(scene()) == ["a", "b", "c"]
    slices = [one for one in log if one != "beat"]
    assert slices == [f"{name}{number}" for name in "abc" for number in range(4)]
    between = "".join("." if one == "beat" else "s" for one in log)
    assert all(len(turns) >= TURNS for turns in between.strip(".").split("s")[1:-1])


def test_a_question_that_fails_leaves_the_turn_to_the_next():
    def fails():
        yield
        raise ValueError("gone")

    async def scene():
        turns = LoopTurns()
        with pytest.raises(ValueError, match="gone"):
            await turns.answer(fails())
        return await turns.answer(question("a", 1, []))

    assert asyncio.run(scene()) == "a"
