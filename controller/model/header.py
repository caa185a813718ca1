"""The 40-pin header of the single-board computer: which GPIO sits where, how it is pulled at power-on, what shares it.

Pulls: BCM2835 ARM Peripherals, table 6-31; the vendor's own pin tools use the same table for BCM2711. Header pins and
alternate functions: the vendor's GPIO documentation. Boards with another I/O chip are not covered.
"""

from typing import Literal

from controller.model.fields import Gpio, Value


class HeaderPin(Value, frozen=True):
    """One GPIO of the header."""

    gpio: Gpio  # BCM number
    header_pin: int  # 1 to 40
    bus: Literal["", "ID EEPROM", "I2C1", "SPI0", "UART"] = ""  # a bus that boot or the kernel may switch on here
    alternate: str = ""  # what else the pin can be

    @property
    def reset_pull(self) -> Literal["up", "down"]:
        """How it is pulled from power-on until something sets the pin."""
        return "up" if self.gpio <= 8 else "down"


HEADER: dict[int, HeaderPin] = {
    pin.gpio: pin
    for pin in (
        HeaderPin(0, 27, "ID EEPROM", "ID_SD, probed at boot"),
        HeaderPin(1, 28, "ID EEPROM", "ID_SC, probed at boot"),
        HeaderPin(2, 3, "I2C1", "SDA1, fixed pull-up of 1.8 kohm on the board"),
        HeaderPin(3, 5, "I2C1", "SCL1, fixed pull-up of 1.8 kohm on the board"),
        HeaderPin(4, 7, "", "GPCLK0, default pin of 1-Wire"),
        HeaderPin(5, 29),
        HeaderPin(6, 31),
        HeaderPin(7, 26, "SPI0", "CE1"),
        HeaderPin(8, 24, "SPI0", "CE0"),
        HeaderPin(9, 21, "SPI0", "MISO"),
        HeaderPin(10, 19, "SPI0", "MOSI"),
        HeaderPin(11, 23, "SPI0", "SCLK"),
        HeaderPin(12, 32, "", "PWM0"),
        HeaderPin(13, 33, "", "PWM1"),
        HeaderPin(14, 8, "UART", "TXD, driven by the console where that is on"),
        HeaderPin(15, 10, "UART", "RXD"),
        HeaderPin(16, 36, "", "SPI1 CE2"),
        HeaderPin(17, 11, "", "SPI1 CE1"),
        HeaderPin(18, 12, "", "PWM0, PCM_CLK"),
        HeaderPin(19, 35, "", "PWM1, PCM_FS, SPI1 MISO"),
        HeaderPin(20, 38, "", "PCM_DIN, SPI1 MOSI"),
        HeaderPin(21, 40, "", "PCM_DOUT, SPI1 SCLK"),
        HeaderPin(22, 15),
        HeaderPin(23, 16),
        HeaderPin(24, 18),
        HeaderPin(25, 22),
        HeaderPin(26, 37),
        HeaderPin(27, 13),
    )
}
