"""A NAU7802 on a bus, as its registers behave by the data sheet (Nuvoton, rev 2.1); time moves only by sleeping."""

from controller.scale import nau7802 as chip

RATE_S = {0b000: 1 / 10, 0b001: 1 / 20, 0b010: 1 / 40, 0b011: 1 / 80}
SETTLING = 6  # conversions after power-up, reset or a restart (1.14)


class RegisterBus:
    """An I2C bus with one NAU7802. input_counts: what stands at its input. Every access is written down."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.input_counts = 12_345
        self.is_there = True
        self.is_stuck = False  # no conversion ends any more
        self.calibration_fails = False
        self.writes: list[tuple[int, int]] = []
        self.resets = 0
        self._reset()
        self._is_held_in_reset = False

    def now(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def _reset(self) -> None:
        self.registers = dict.fromkeys(range(0x20), 0) | {0x08: 0x80, 0x0E: 0x80, 0x1F: 0x0F}
        self._converted_s = self._calibrated_s = float("inf")

    def lose_power(self) -> None:
        self._reset()

    @property
    def _period_s(self) -> float:
        return RATE_S[self.registers[chip.CTRL2] >> 4 & 7]

    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None:
        self._require(i2c_addr)
        self.writes.append((register, value))
        if register == chip.PU_CTRL:
            if value & chip.RR:
                self._reset()
                self._is_held_in_reset, self.resets = True, self.resets + 1
                return
            self._is_held_in_reset = False
            started = value & chip.CS and not self.registers[register] & chip.CS
            self.registers[register] = value & ~(chip.CR | chip.PUR)
            if value & chip.PUD:
                self._powered_s = self.now_s + 0.0002
            if started and value & chip.PUA:
                self._converted_s = self.now_s + SETTLING * self._period_s
        elif register == chip.CTRL2 and value & chip.CALS:
            self.registers[register] = value
            self._calibrated_s = self.now_s + 0.344
        else:
            self.registers[register] = value

    def read_byte_data(self, i2c_addr: int, register: int) -> int:
        self._require(i2c_addr)
        value = self.registers[register]
        if register == chip.PU_CTRL and value & chip.PUD:
            value |= chip.PUR if self.now_s >= self._powered_s else 0
            value |= chip.CR if not self.is_stuck and self.now_s >= self._converted_s else 0
        if register == chip.CTRL2 and value & chip.CALS and self.now_s >= self._calibrated_s:
            value = value & ~chip.CALS | (chip.CAL_ERR if self.calibration_fails else 0)
            self.registers[register] = value
        return value

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        self._require(i2c_addr)
        assert (register, length) == (chip.ADCO, 3)
        self._converted_s += self._period_s
        while self._converted_s <= self.now_s:
            self._converted_s += self._period_s
        return list((self.input_counts & 0xFFFFFF).to_bytes(3, "big"))

    def close(self) -> None:
        self.is_there = False

    def _require(self, address: int) -> None:
        if not self.is_there or address != chip.ADDRESS:
            raise OSError(121, "Remote I/O error")  # EREMOTEIO: nobody acknowledges
