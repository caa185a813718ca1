"""Any converter that the kernel drives, read from its folder in sysfs (industrial I/O).

Sources: Linux, Documentation/ABI/testing/sysfs-bus-iio; drivers/iio/adc/hx711.c and nau7802.c. The device is found by
its compatible in the device tree, since the driver of the NAU7802 names it after its bus address. The millivolts that
the drivers print are not used: the span is found with a mass.
"""

import os
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from controller.scale.converter import EARLY, ConverterError

DEVICES = Path("/sys/bus/iio/devices")
RAW, SCALE, SCALES, RATE = (
    "in_voltage0_raw", "in_voltage_scale", "in_voltage_scale_available", "in_voltage_sampling_frequency",
)  # fmt: skip
# Counts at zero input: the driver of the HX711 gives its 24 bits with the sign bit inverted.
ZERO = {"avia,hx711": 2**23, "nuvoton,nau7802": 0}


class KernelConverter:
    """One device. A read waits in the kernel for a fresh conversion."""

    def __init__(self, compatible: str, readings_per_s: int, *, devices: Path = DEVICES) -> None:
        self._compatible, self._readings_per_s, self._devices = compatible, readings_per_s, devices
        self._zero = ZERO[compatible]
        self._raw: int | None = None
        self.next_s = 0.0

    def start(self) -> None:
        """Find it and open it. ConverterError when there is none, or it is not set as wanted."""
        self.close()
        folder = find(self._compatible, self._devices)
        for problem in unset(folder, self._readings_per_s):
            raise ConverterError(f"{problem}: tundish scale prepare, as root, sets it")
        self._raw = os.open(folder / RAW, os.O_RDONLY | os.O_CLOEXEC)

    def read(self) -> int | None:
        """The next conversion's counts; None when the driver gave up waiting for one."""
        if self._raw is None:
            raise ConverterError("the converter is not open")
        try:
            text = os.pread(self._raw, 32, 0)
        except TimeoutError:
            return None
        self.next_s = time.monotonic() + EARLY / self._readings_per_s
        try:
            return int(text) - self._zero
        except ValueError as error:
            raise ConverterError(f"the kernel's driver gives {text!r}, which is no number") from error

    def close(self) -> None:
        """Close its file. May be repeated."""
        if self._raw is not None:
            os.close(self._raw)
            self._raw = None


def find(compatible: str, devices: Path = DEVICES) -> Path:
    """The folder of the one device with this compatible; ConverterError when there is none, or more than one."""
    found = [one for one in sorted(devices.glob("iio:device*")) if compatible in _compatibles(one)]
    if not found:
        raise ConverterError(f"no driver of the kernel has a {compatible}: is its overlay in the boot configuration?")
    if len(found) > 1:
        raise ConverterError(f"there are {len(found)} devices {compatible}: {', '.join(one.name for one in found)}")
    return found[0]


def _compatibles(device: Path) -> list[str]:
    """The device tree's names of a device: of its own node, or of its parent's."""
    for node in (device / "of_node", device / "device" / "of_node"):
        with suppress(OSError):
            return (node / "compatible").read_bytes().decode(errors="replace").strip("\0").split("\0")
    return []


def unset(folder: Path, readings_per_s: int) -> Iterable[str]:
    """What is not set as it should be: the largest gain, the rate; where the device has no such file it is fixed."""
    with suppress(FileNotFoundError):
        rate = (folder / RATE).read_text().strip()
        if rate != str(readings_per_s):
            yield f"the converter gives {rate} readings a second, not {readings_per_s}"
    with suppress(FileNotFoundError):
        choices, scale = (folder / SCALES).read_text().split(), (folder / SCALE).read_text().strip()
        finest = min(choices, key=float)
        if float(scale) != float(finest):
            yield f"the converter is not at its largest gain ({SCALE} is {scale}, not {finest})"


def set_up(compatible: str, readings_per_s: int, devices: Path = DEVICES) -> None:
    """Set the largest gain and the rate; only root may. ConverterError, OSError."""
    folder = find(compatible, devices)
    if (folder / SCALES).exists():
        (folder / SCALE).write_text(min((folder / SCALES).read_text().split(), key=float))
    if (folder / RATE).exists():
        (folder / RATE).write_text(str(readings_per_s))


def open_converter(place: str, readings_per_s: int) -> KernelConverter:
    """The converter with this compatible."""
    if place not in ZERO:
        raise ConverterError(f"{place} is none of {', '.join(ZERO)}")
    return KernelConverter(place, readings_per_s)
