"""What every converter can do, and the table of them."""

from importlib import import_module
from typing import Protocol

EARLY = 0.9  # of a period after a conversion, from when on the next one is looked for: clocks of converters vary by 3 %


class ConverterError(Exception):
    """The converter cannot be used, and why."""


class DeviceRefusedError(Exception):
    """The service manager lets this process have no such device, since there was none at its start: start it again."""


class Converter(Protocol):
    """A bridge converter that converts all the time at a rate of its own.

    Attributes:
        next_s: from when on the next conversion is to be looked for (monotonic, s); past when nobody knows.
    """

    next_s: float

    def start(self) -> None:
        """Set it up. ConverterError or OSError when it does not answer or says that it is at fault."""

    def read(self) -> int | None:
        """Counts of the next conversion, signed; None when there is none in good time. OSError when it is gone."""

    def close(self) -> None:
        """Let go of it. May be repeated."""


_CONVERTERS = {
    "i2c": "controller.scale.nau7802:open_converter",
    "kernel": "controller.scale.kernel:open_converter",
    "bench": "controller.scale.bench:open_converter",
}


def open_converter(kind: str, place: str, readings_per_s: int) -> Converter:
    """A converter of this kind; place: its bus (i2c), compatible (kernel) or socket (bench). ConverterError."""
    module, _, function = _CONVERTERS[kind].partition(":")
    opened: Converter = getattr(import_module(module), function)(place, readings_per_s)
    return opened
