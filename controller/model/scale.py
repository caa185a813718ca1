"""The scale under the glass: how it is built, how its counts become grams, and its readings."""

from typing import Annotated, Literal

from msgspec import Meta

from controller.model.fields import Gpio, Value, ranged

STALE_S = 0.5  # a scale that has not been heard for so long says nothing

# fmt: off
CellCapacity = Annotated[float, ranged("g", "5 kg", low=100.0, high=50_000.0, usual=(500.0, 10_000.0),
    why="a glass and what carries it weigh some hundred grams, and a larger cell tells them less well")]
PlatformMass = Annotated[float, ranged("g", "350 g", high=20_000.0, usual=(0.0, 2000.0),
    why="what carries a glass is a plate or a grid")]
CellOutput = Annotated[float, ranged("", "1.0", above=True, high=5.0, usual=(0.3, 3.0),
    why="strain-gauge bridges give between 0.5 and 3 mV/V at their capacity")]
# fmt: on

Converter = Literal["i2c", "kernel", "bench"]
Compatible = Literal["avia,hx711", "nuvoton,nau7802"]
RATES = (10, 20, 40, 80)  # readings a second that converters offer
ReadingsPerS = Annotated[int, Meta(ge=10, le=80)]

Doubt = Literal["", "unspanned", "saturated", "overload", "negative", "repeats", "silent", "unreadable"]
DOUBTS: dict[Doubt, str] = {
    "": "",
    "unspanned": "the scale has no span yet: put a known mass on it (tundish scale span)",
    "saturated": "the converter is at the end of its range: a wire of the load cell is off, or the load far too large",
    "overload": "the load is beyond the load cell's capacity",
    "negative": "the load is far below zero: the platform was taken off, or the cell's signal wires are swapped",
    "repeats": "the converter repeats one value: it is stuck",
    "silent": "no reading for 0.5 s: the converter gives nothing new, or the scale's process does not run",
    "unreadable": "the converter does not answer: look at its wires and its supply",
}


class Scale(Value, frozen=True, kw_only=True):
    """The load cell under the glass and its converter.

    Attributes:
        converter: i2c: read by Tundish itself; kernel: by a driver of the kernel (industrial I/O); bench
        capacity_g: of the load cell
        readings_per_s: 10, 20, 40 or 80, as the converter is set
        platform_g: mass of what carries the glass; it counts towards the capacity
        output_mv_v: the cell's output at its capacity, by its data sheet; checks the span
        bus: I2C bus that the converter hangs on, at its fixed address 0x2A
        compatible: which converter the kernel drives, by its device tree name
        clock_gpio: of an HX711: BCM number of its clock, as its overlay has it
        data_gpio: and of its data
    """

    converter: Converter
    capacity_g: CellCapacity
    readings_per_s: ReadingsPerS = 80
    platform_g: PlatformMass = 0.0
    output_mv_v: CellOutput | None = None
    bus: Annotated[int, Meta(ge=0, le=99)] = 1
    compatible: Compatible = "avia,hx711"
    clock_gpio: Gpio | None = None
    data_gpio: Gpio | None = None

    @property
    def i2c_bus(self) -> int | None:
        """The I2C bus that its converter hangs on, None for another kind."""
        is_on_bus = self.converter == "i2c" or (self.converter == "kernel" and self.compatible == "nuvoton,nau7802")
        return self.bus if is_on_bus else None


class Span(Value, frozen=True, kw_only=True):
    """How many counts a gram makes, found with a known mass.

    Attributes:
        counts_per_g: above 0: more load makes more counts; the guard takes no other
        u_fraction: its standard uncertainty, as a fraction of it
        mass_g: what it was found with
    """

    counts_per_g: float
    u_fraction: float
    mass_g: float
    wall_s: float


class ScaleSetting(Value, frozen=True, kw_only=True):
    """Zero and span in force: kept and journalled by the guard, asked for by the engine (TakeScale).

    Attributes:
        zero_counts: with the empty platform
        u_zero_counts: its standard uncertainty
        zeroed_wall_s: None: never
    """

    zero_counts: float = 0.0
    u_zero_counts: float = 0.0
    zeroed_wall_s: float | None = None
    span: Span | None = None

    def load_g(self, counts: float) -> float | None:
        """The load on the platform, g; None without a span."""
        return None if self.span is None else (counts - self.zero_counts) / self.span.counts_per_g


class Reading(Value, frozen=True, kw_only=True, omit_defaults=True):
    """One reading of the scale as the guard takes it.

    load_g is there whenever counts and a span are, doubtful or not; who uses it looks at `doubt` first.

    Attributes:
        number: counts up with every reading; a gap is a lost one, a fall a new start of the scale's process
        at_s: monotonic, when the converter had it ready
        load_g: on the platform, zero taken off
    """

    number: int
    at_s: float
    counts: int
    load_g: float | None = None
    doubt: Doubt = ""
