"""The NAU7802, a bridge converter on the I2C bus.

Registers and steps: "NAU7802 data sheet", Nuvoton, rev 2.1 (2021), sections 1.12 (calibration), 1.14 (settling), 1.17
(power-up) and 1.21 to 1.36 (registers). What is not in it says so.
"""

import errno
import time
from collections.abc import Callable, Sequence
from typing import Protocol

from controller.scale.converter import EARLY, ConverterError, DeviceRefusedError

ADDRESS = 0x2A  # fixed (1.9.2)
PU_CTRL, CTRL1, CTRL2, OCAL1, ADCO, ADC, POWER, REVISION = 0x00, 0x01, 0x02, 0x03, 0x12, 0x15, 0x1C, 0x1F

AVDDS, CR, CS, PUR, PUA, PUD, RR = 0x80, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01  # bits of PU_CTRL
CAL_ERR, CALS = 0x08, 0x04  # bits of CTRL2; CALMOD 00 (bits 1:0) removes the converter's own offset
CHOPPER_OFF = 0x30  # REG_CHPS = 11 in ADC, as recommended
PGA_CAPACITOR = 0x80  # in POWER: the filter capacitor that breakout boards have at channel 2
LDO_3_V0 = 0b101 << 3  # the regulator's output must stay 0.3 V below the supply of 3.3 V (1.2)
GAIN_128 = 0b111
RATES = {10: 0b000, 20: 0b001, 40: 0b010, 80: 0b011}
POWERED = AVDDS | CS | PUA | PUD

POWER_UP_S = 0.1  # the chip needs 0.2 ms
REGULATOR_S = 0.25  # for the regulator to settle; common practice, not in the data sheet
DISCARDED = 10  # results before a calibration; common practice, not in the data sheet
CALIBRATION_S = 1.0  # it takes some 0.35 s; common practice, not in the data sheet
POLL_S = 0.001
LATE = 4  # periods without a conversion: settling takes six after a restart, which `start` waits for


class Bus(Protocol):
    """What smbus2.SMBus offers, as far as it is used; every call may raise OSError."""

    def read_byte_data(self, i2c_addr: int, register: int) -> int: ...  # noqa: D102
    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None: ...  # noqa: D102
    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> Sequence[int]: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


class Nau7802:
    """One converter; its first channel, at gain 128 with its own regulator at 3.0 V."""

    def __init__(
        self,
        open_bus: Callable[[], Bus],
        readings_per_s: int,
        *,
        now_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if readings_per_s not in RATES:
            raise ConverterError(
                f"{readings_per_s} readings a second: this converter gives {', '.join(map(str, RATES))}"
            )
        self._open_bus, self._now_s, self._sleep = open_bus, now_s, sleep
        self._opened: Bus | None = None
        self._rate = RATES[readings_per_s] << 4
        self._within_s = max(LATE / readings_per_s, 0.1)
        self._early_s = EARLY / readings_per_s
        self.next_s = 0.0

    def start(self) -> None:
        """Open the bus and set it up.

        One that runs as wanted is left alone, since every calibration moves its zero a little.
        """
        if self._opened is None:
            self._opened = self._open_bus()
        if self._get(REVISION) & 0x0F != 0x0F:
            raise ConverterError(f"what answers at address {ADDRESS:#04x} is no NAU7802")
        if self._runs_as_wanted():
            return
        self._put(PU_CTRL, RR)
        self._put(PU_CTRL, PUD)
        self._await(PU_CTRL, PUR, PUR, POWER_UP_S, "does not power up")
        self._put(PU_CTRL, AVDDS | PUA | PUD)
        self._put(ADC, CHOPPER_OFF)
        self._put(CTRL1, LDO_3_V0 | GAIN_128)
        self._put(CTRL2, self._rate)
        self._put(POWER, PGA_CAPACITOR)
        self._put(PU_CTRL, POWERED)
        self._sleep(REGULATOR_S)
        for _ in range(DISCARDED):
            self.read()
        self._calibrate()

    def read(self) -> int | None:
        """The next conversion's counts; None when there is none for LATE periods."""
        end_s = self._now_s() + self._within_s
        while not self._get(PU_CTRL) & CR:
            if self._now_s() >= end_s:
                self._require_power()
                return None
            self._sleep(POLL_S)
        self.next_s = self._now_s() + self._early_s
        high, middle, low = self._bus.read_i2c_block_data(ADDRESS, ADCO, 3)
        return int.from_bytes(bytes((high, middle, low)), "big", signed=True)

    def close(self) -> None:
        """Let go of the bus; the converter goes on converting."""
        if self._opened is not None:
            self._opened.close()
            self._opened = None

    def _calibrate(self) -> None:
        """Remove the converter's own offset; the bridge's zero is not touched."""
        self._put(CTRL2, self._rate | CALS)
        self._await(CTRL2, CALS, 0, CALIBRATION_S, "does not end its calibration")
        if self._get(CTRL2) & CAL_ERR:
            raise ConverterError(
                "the NAU7802 says that its calibration failed: look at its supply and the cell's wires"
            )

    def _runs_as_wanted(self) -> bool:
        state = self._get(PU_CTRL) & (POWERED | PUR | RR)
        wanted = {CTRL1: LDO_3_V0 | GAIN_128, CTRL2: self._rate, ADC: CHOPPER_OFF, POWER: PGA_CAPACITOR}
        return state == POWERED | PUR and all(self._get(one) == value for one, value in wanted.items())

    def _require_power(self) -> None:
        """ConverterError when it has lost its settings, as by a dip of its supply: it must be started anew."""
        if not self._runs_as_wanted():
            raise ConverterError("the NAU7802 has lost its settings: its supply dipped, or something else writes to it")

    def _await(self, register: int, mask: int, wanted: int, within_s: float, otherwise: str) -> None:
        end_s = self._now_s() + within_s
        while self._get(register) & mask != wanted:
            if self._now_s() >= end_s:
                raise ConverterError(f"the NAU7802 {otherwise}")
            self._sleep(POLL_S)

    @property
    def _bus(self) -> Bus:
        if self._opened is None:
            raise ConverterError("the bus is not open")
        return self._opened

    def _get(self, register: int) -> int:
        return self._bus.read_byte_data(ADDRESS, register)

    def _put(self, register: int, value: int) -> None:
        self._bus.write_byte_data(ADDRESS, register, value)


def open_converter(place: str, readings_per_s: int) -> Nau7802:
    """The converter on the bus of this number; the bus is opened when it is set up."""
    return Nau7802(lambda: _open_bus(int(place)), readings_per_s)


def _open_bus(number: int) -> Bus:
    """ConverterError without smbus2, or when there is no such bus; DeviceRefusedError by the service manager."""
    try:
        import smbus2
    except ImportError as missing:
        raise ConverterError("the package smbus2 is missing: pip install 'tundish[scale]'") from missing
    try:
        bus: Bus = smbus2.SMBus(number)
    except OSError as error:
        if error.errno == errno.EPERM:  # by file modes it would be EACCES
            raise DeviceRefusedError(f"I2C bus {number} came after this service: it starts again") from error
        raise ConverterError(f"cannot open I2C bus {number}: {error}. Switch it on: dtparam=i2c_arm=on") from error
    return bus
