"""The 40-pin header of the single-board computer: which GPIO sits where, how it is pulled at power-on, what shares it.

Pulls: BCM2835 ARM Peripherals, table 6-31; the vendor's own pin tools use the same table for BCM2711. Header pins and
alternate functions: the vendor's GPIO documentation. Boards with another I/O chip are not covered.
"""

from typing import Literal

from controller.model.fields import Gpio, Value


class HeaderPin(Value, frozen=True, kw_only=True):
    """One GPIO of the header."""

    gpio: Gpio  # BCM number
    header_pin: int  # 1 to 40
    reset_pull: Literal["up", "down"]  # from power-on until something sets the pin
    bus: Literal["", "ID EEPROM", "I2C1", "SPI0", "UART"] = ""  # a bus that boot or the kernel may switch on here
    alternate: str = ""  # what else the pin can be


def _pin(
    gpio: int,
    header_pin: int,
    bus: Literal["", "ID EEPROM", "I2C1", "SPI0", "UART"] = "",
    alternate: str = "",
) -> HeaderPin:
    pull: Literal["up", "down"] = "up" if gpio <= 8 else "down"
    return HeaderPin(gpio=gpio, header_pin=header_pin, reset_pull=pull, bus=bus, alternate=alternate)


HEADER: dict[int, HeaderPin] = {
    pin.gpio: pin
    for pin in (
        _pin(0, 27, "ID EEPROM", "ID_SD, probed at boot"),
        _pin(1, 28, "ID EEPROM", "ID_SC, probed at boot"),
        _pin(2, 3, "I2C1", "SDA1, fixed pull-up of 1.8 kohm on the board"),
        _pin(3, 5, "I2C1", "SCL1, fixed pull-up of 1.8 kohm on the board"),
        _pin(4, 7, "", "GPCLK0, default pin of 1-Wire"),
        _pin(5, 29),
        _pin(6, 31),
        _pin(7, 26, "SPI0", "CE1"),
        _pin(8, 24, "SPI0", "CE0"),
        _pin(9, 21, "SPI0", "MISO"),
        _pin(10, 19, "SPI0", "MOSI"),
        _pin(11, 23, "SPI0", "SCLK"),
        _pin(12, 32, "", "PWM0"),
        _pin(13, 33, "", "PWM1"),
        _pin(14, 8, "UART", "TXD, driven by the console where that is on"),
        _pin(15, 10, "UART", "RXD"),
        _pin(16, 36, "", "SPI1 CE2"),
        _pin(17, 11, "", "SPI1 CE1"),
        _pin(18, 12, "", "PWM0, PCM_CLK"),
        _pin(19, 35, "", "PWM1, PCM_FS, SPI1 MISO"),
        _pin(20, 38, "", "PCM_DIN, SPI1 MOSI"),
        _pin(21, 40, "", "PCM_DOUT, SPI1 SCLK"),
        _pin(22, 15),
        _pin(23, 16),
        _pin(24, 18),
        _pin(25, 22),
        _pin(26, 37),
        _pin(27, 13),
    )
}
