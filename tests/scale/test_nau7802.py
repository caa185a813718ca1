"""The driver of the I2C converter against its registers, by the NAU7802 data sheet (Nuvoton, rev 2.1, 2021)."""

from collections.abc import Iterator

import pytest

from controller.model.scale_datagram import OK, UNREADABLE
from controller.scale import nau7802 as chip
from controller.scale.converter import ConverterError
from controller.scale.nau7802 import Nau7802
from controller.scale.process import RESTART_S, Sampler
from tests.nau7802_registers import RegisterBus


def converter(bus: RegisterBus, readings_per_s: int = 80) -> Nau7802:
    return Nau7802(lambda: bus, readings_per_s, now_s=bus.now, sleep=bus.sleep)


@pytest.fixture
def bus():
    return RegisterBus()


def test_power_up_follows_section_1_17_and_calibrates_last(bus: RegisterBus):
    converter(bus).start()
    assert bus.writes == [
        (0x00, 0x01),  # RR: hold in reset
        (0x00, 0x02),  # leave it with the digital part on
        (0x00, 0x86),  # analog part and regulator on
        (0x15, 0x30),  # REG_CHPS = 11
        (0x01, 0x2F),  # regulator 3.0 V (101), gain 128 (111)
        (0x02, 0x30),  # 80 readings a second (011), channel 1
        (0x1C, 0x80),  # PGA_CAP_EN
        (0x00, 0x96),  # CS: convert
        (0x02, 0x34),  # CALS with CALMOD 00
    ]


@pytest.mark.parametrize(("readings_per_s", "code"), [(10, 0), (20, 1), (40, 2), (80, 3)])
def test_rates_are_those_of_the_table(bus: RegisterBus, readings_per_s: int, code: int):
    converter(bus, readings_per_s).start()
    assert bus.registers[chip.CTRL2] >> 4 == code


def test_another_rate_is_refused_with_those_that_there_are(bus: RegisterBus):
    with pytest.raises(ConverterError, match="10, 20, 40, 80"):
        converter(bus, 50)


@pytest.mark.parametrize("counts", [0, 1, -1, 2**23 - 1, -(2**23), -123_456])
def test_results_are_24_bits_two_s_complement_most_significant_byte_first(bus: RegisterBus, counts: int):
    one = converter(bus)
    one.start()
    bus.input_counts = counts
    assert one.read() == counts


def test_each_conversion_is_read_once(bus: RegisterBus):
    one = converter(bus)
    one.start()
    one.read()
    begun_s = bus.now_s
    for _ in range(80):
        one.read()
    assert bus.now_s - begun_s == pytest.approx(1.0, abs=1 / 80)


def test_the_next_conversion_is_looked_for_a_little_before_it_is_due(bus: RegisterBus):
    one = converter(bus)
    one.start()
    one.read()
    assert one.next_s == bus.now_s + 0.9 / 80


def test_one_that_runs_as_wanted_keeps_its_zero_over_a_new_start_of_the_process(bus: RegisterBus):
    converter(bus).start()
    calibrated = bus.writes.copy()
    converter(bus).start()
    assert bus.writes == calibrated
    converter(bus, 10).start()
    assert bus.resets == 2


def test_a_failed_calibration_is_named(bus: RegisterBus):
    bus.calibration_fails = True
    with pytest.raises(ConverterError, match="calibration failed"):
        converter(bus).start()


def test_one_that_converts_no_more_is_silent_and_one_without_its_settings_is_named(bus: RegisterBus):
    one = converter(bus)
    one.start()
    bus.is_stuck = True
    assert one.read() is None
    bus.lose_power()
    with pytest.raises(ConverterError, match="lost its settings"):
        one.read()


def test_nobody_on_the_bus_is_an_error_of_the_bus(bus: RegisterBus):
    bus.is_there = False
    with pytest.raises(OSError, match="Remote I/O"):
        converter(bus).start()


def test_another_chip_at_the_address_is_not_taken_for_it(bus: RegisterBus):
    bus.registers[chip.REVISION] = 0
    with pytest.raises(ConverterError, match="no NAU7802"):
        converter(bus).start()
    assert bus.writes == []


def test_a_bus_that_is_switched_off_is_reported_and_tried_again():
    """A process that ended instead would be given up by its manager."""
    clock = RegisterBus()
    said: list[str] = []
    tries: Iterator[Exception | RegisterBus] = iter([ConverterError("cannot open I2C bus 1"), clock])

    def open_bus() -> RegisterBus:
        found = next(tries)
        if isinstance(found, Exception):
            raise found
        return found

    sampler = Sampler(Nau7802(open_bus, 80, now_s=clock.now, sleep=clock.sleep), now_s=clock.now, tell=said.append)
    assert sampler.next().converter == UNREADABLE
    clock.sleep(RESTART_S)
    assert sampler.next()[2:] == (clock.input_counts, OK)
    assert said == ["cannot open I2C bus 1", "the converter answers"]
