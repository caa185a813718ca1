"""Counts into grams, and every reason to doubt them."""

import pytest

from controller.model.scale import STALE_S, Scale, ScaleSetting, Span
from controller.model.scale_datagram import LEAST_COUNTS, MOST_COUNTS, OK, SILENT, UNREADABLE, RawReading
from controller.safety.load import MOST_IN_EVENT, SAME_COUNTS, Load

SCALE = Scale(converter="bench", capacity_g=5000.0, platform_g=400.0)
# A cell of 1 mV/V and 5 kg at gain 128 makes 2.147 million counts at its capacity: 429.4 counts a gram.
SPANNED = ScaleSetting(
    zero_counts=100_000.0, span=Span(counts_per_g=429.4, u_fraction=0.001, mass_g=1000.0, wall_s=0.0)
)


def taken(counts: int, setting: ScaleSetting = SPANNED, converter: int = OK):
    return Load(SCALE, 0.0).take(1.0, [RawReading(1, 1.0, counts, converter)], setting)[0]


def test_grams_are_counts_above_zero_by_the_span():
    reading = taken(100_000 + 42_940)
    assert (reading.load_g, reading.doubt) == (pytest.approx(100.0), "")


@pytest.mark.parametrize(
    ("counts", "doubt"),
    [
        (MOST_COUNTS, "saturated"),
        (LEAST_COUNTS, "saturated"),
        (100_000 + round(4_900 * 429.4), "overload"),  # with the platform's 400 g beyond 5250 g
        (100_000 + round(4_800 * 429.4), ""),
        (100_000 - round(450 * 429.4), ""),  # the platform was lifted
        (100_000 - round(550 * 429.4), "negative"),
    ],
)
def test_loads_that_cannot_be(counts: int, doubt: str):
    assert taken(counts).doubt == doubt


def test_without_a_span_there_are_no_grams():
    reading = taken(100_000, ScaleSetting())
    assert (reading.load_g, reading.doubt) == (None, "unspanned")


@pytest.mark.parametrize(("converter", "doubt"), [(SILENT, "silent"), (UNREADABLE, "unreadable")])
def test_a_converter_that_says_it_cannot_is_believed(converter: int, doubt: str):
    reading = taken(0, converter=converter)
    assert (reading.load_g, reading.doubt) == (None, doubt)


def test_a_converter_that_repeats_itself_is_found_and_forgiven():
    load = Load(SCALE, 0.0)
    raw = [RawReading(n, n / 10, 5000 if n <= SAME_COUNTS else 5001, OK) for n in range(1, SAME_COUNTS + 2)]
    assert [one.doubt for one in load.take(1.0, raw, SPANNED)] == [*[""] * (SAME_COUNTS - 1), "repeats", ""]


def test_silence_is_reported_once_and_again_after_the_next_reading():
    load = Load(SCALE, 0.0)
    assert load.tell(STALE_S, under_way=True) == []
    assert [one.silent for one in load.tell(STALE_S + 0.01, under_way=True)] == [True]
    assert load.tell(STALE_S + 0.5, under_way=True) == []
    load.take(2.0, [RawReading(1, 2.0, 5000)], SPANNED)
    assert load.doubt(2.0) == ""
    assert [len(one.readings) for one in load.tell(2.0, under_way=True)] == [1]
    assert [one.silent for one in load.tell(2.6, under_way=True)] == [True]
    assert load.doubt(2.6) == "silent"


def test_readings_out_of_time_or_order_are_dropped():
    load = Load(SCALE, 0.0)
    raw = [RawReading(1, 10.2, 1), RawReading(2, 7.0, 2), RawReading(3, 9.9, 3), RawReading(4, 9.9, 4)]
    assert [one.counts for one in load.take(10.0, raw, SPANNED)] == [3]


def test_readings_reach_the_engine_in_parts_of_bounded_length():
    load, told = Load(SCALE, 0.0), []
    for n in range(1, 81):  # a second at 80 readings a second
        load.take(n / 80, [RawReading(n, n / 80, n)], SPANNED)
        told += load.tell(n / 80, under_way=True)
    assert len(told) <= 20
    assert sum(len(one.readings) for one in told) >= 76
    for n in range(1, 1001):
        load.take(2 + n / 80, [RawReading(n, 2 + n / 80, n)], SPANNED)
    assert len(load.tell(15.0, under_way=False)[0].readings) == MOST_IN_EVENT


def readings(counts: list[int | None], begin_s: float = 0.1, step_s: float = 0.1) -> list[RawReading]:
    """One every step_s; None: the converter gave nothing new."""
    return [
        RawReading(n, begin_s + step_s * n, one or 0, SILENT if one is None else OK) for n, one in enumerate(counts)
    ]


def test_a_scale_is_believed_again_only_after_it_has_been_sound_for_a_while():
    load = Load(SCALE, 0.0)
    doubts = []
    for one in readings([200_000, 200_010, MOST_COUNTS, 200_020, 200_030, 200_040, 200_050], step_s=0.11):
        load.take(one.at_s, [one], SPANNED)
        doubts.append(load.doubt(one.at_s))
    assert doubts == ["", "", "saturated", "saturated", "saturated", "", ""]


def test_after_a_silence_the_first_reading_is_not_believed_at_once():
    load = Load(SCALE, 0.0)
    load.take(0.1, [RawReading(9, 0.1, 200_000)], SPANNED)
    first, *later = readings([200_010, 200_020, 200_030, 200_040], begin_s=0.1 + STALE_S + 0.1)
    load.take(first.at_s, [first], SPANNED)  # its numbers begin anew: the process was started again
    assert load.doubt(first.at_s) == "silent"
    for one in later:
        load.take(one.at_s, [one], SPANNED)
    assert not load.doubt(later[-1].at_s)


def test_a_converter_that_repeats_itself_between_silences_is_found():
    load = Load(SCALE, 0.0)
    raw = readings([5000, None] * SAME_COUNTS)
    assert [one.doubt for one in load.take(2.0, raw, SPANNED)][-2] == "repeats"


@pytest.mark.parametrize("at_s", [-1.5, 0.4, 0.6, 1.2], ids=["old", "of before", "same time", "now"])
def test_a_reading_of_before_a_reconnect_never_makes_a_silent_scale_a_sound_one(at_s):
    """At 1.2 s the last sound reading is 0.6 s old; whatever comes with another stamp is no proof of a sound scale."""
    load = Load(SCALE, -2.0)
    load.take(0.6, [RawReading(700, 0.6, 200_000)], SPANNED)
    load.take(1.2, [RawReading(1, at_s, 900_000)], SPANNED)
    assert load.doubt(1.2) == "silent"
    assert load.latest is not None and load.latest.counts == (900_000 if at_s == 1.2 else 200_000)
