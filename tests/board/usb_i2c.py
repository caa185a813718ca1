"""Runs on the board, as root: a USB adapter for I2C with a NAU7802 on its bus, so that the kernel has a real bus.

usb_i2c.py LOAD_FILE: the file holds what presses on the load cell, in grams, and is read again at every conversion.

The emulator has no I2C, and Debian's kernels have no simulated one; but they have USB over a socket and a driver for a
plain USB adapter, whose other end can be played here. Ending this process pulls the adapter's plug.
Sources: Linux, Documentation/usb/usbip_protocol.rst; drivers/i2c/busses/i2c-tiny-usb.c; USB 2.0, chapter 9.
"""

import random
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path

from tests.nau7802_registers import RegisterBus

HUB = Path("/sys/devices/platform/vhci_hcd.0")
PORT, DEVICE, HIGH_SPEED = 0, 0x10002, 3
COUNTS_PER_G, EMPTY_COUNTS, NOISE_COUNTS = 400.0, 90_000.0, 40.0

DEVICE_DESCRIPTOR = struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x0200, 0xFF, 0, 0, 64, 0x0403, 0xC631, 0x0205, 0, 0, 0, 1)
CONFIGURATION = struct.pack("<BBHBBBBB", 9, 2, 18, 1, 1, 0, 0x80, 50) + bytes((9, 4, 0, 0, 0, 0xFF, 0, 0, 0))
DESCRIPTORS = {1: DEVICE_DESCRIPTOR, 2: CONFIGURATION}
I2C, SMBUS_EMULATED = 0x00000001, 0x0EFF0008  # functions of an adapter, uapi/linux/i2c.h
ACKNOWLEDGED, NOT_ACKNOWLEDGED = 1, 2

SUBMIT, UNLINK, SUBMITTED, UNLINKED = 1, 2, 3, 4
HEADER, STALL = struct.Struct(">5I28s"), -32  # EPIPE


class Chip(RegisterBus):
    """The converter of the tests, in real time."""

    def __init__(self, load_file: Path) -> None:
        self._load_file = load_file
        super().__init__()

    @property
    def now_s(self) -> float:
        return time.monotonic()

    @now_s.setter
    def now_s(self, _: float) -> None:
        """Real time goes by itself."""

    @property
    def input_counts(self) -> int:
        grams = float(self._load_file.read_text())
        return round(EMPTY_COUNTS + COUNTS_PER_G * grams + random.gauss(0, NOISE_COUNTS))

    @input_counts.setter
    def input_counts(self, _: int) -> None:
        """What presses is in the file."""


class Adapter:
    """Vendor requests of the adapter, as transfers on the chip's bus."""

    def __init__(self, chip: Chip) -> None:
        self._chip, self._register, self._status = chip, 0, ACKNOWLEDGED

    def asked(self, request: int, address: int, length: int) -> bytes:
        """The answer to a request for data."""
        if request == 1:
            return struct.pack("<I", I2C | SMBUS_EMULATED)
        if request == 3:
            return bytes((self._status,))
        if length == 1:
            return bytes((self._on_bus(self._chip.read_byte_data, address, self._register) or 0,))
        return bytes(self._on_bus(self._chip.read_i2c_block_data, address, self._register, length) or length)

    def told(self, request: int, address: int, data: bytes) -> None:
        """Take data: the chip's register, and what is to stand there, if more follows."""
        if request & 4 and data:
            self._register = data[0]
            for value in data[1:]:
                self._on_bus(self._chip.write_byte_data, address, self._register, value)

    def _on_bus(self, act, *words):
        try:
            answer = act(*words)
        except OSError:
            self._status = NOT_ACKNOWLEDGED
            return None
        self._status = ACKNOWLEDGED
        return answer


def answer(adapter: Adapter, setup: bytes, data: bytes) -> bytes | None:
    """What the device answers to a control request; None when it refuses."""
    kind, request, value, index, length = struct.unpack("<BBHHH", setup)
    if kind & 0x60:  # of the vendor, here: the adapter
        if kind & 0x80:
            return adapter.asked(request, index, length)[:length]
        adapter.told(request, index, data)
        return b""
    if (kind, request) == (0x80, 6):
        return DESCRIPTORS[value >> 8][:length] if value >> 8 in DESCRIPTORS else None
    if kind & 0x80:
        return bytes(length)
    return b""


def serve(wire: socket.socket, adapter: Adapter) -> None:
    """Answer the kernel's transfers one by one, until it closes the socket."""
    stream = wire.makefile("rb")
    while len(header := stream.read(HEADER.size)) == HEADER.size:
        command, number, _, is_in, _, rest = HEADER.unpack(header)
        if command == UNLINK:  # every transfer was answered at once: it is done
            wire.sendall(HEADER.pack(UNLINKED, number, 0, 0, 0, bytes(28)))
            continue
        length = struct.unpack(">I", rest[4:8])[0]
        said = answer(adapter, rest[20:28], b"" if is_in else stream.read(length))
        status, back = (STALL, b"") if said is None else (0, said)
        done = struct.pack(">iI20x", status, len(back) if is_in else length)
        wire.sendall(HEADER.pack(SUBMITTED, number, 0, 0, 0, done) + (back if is_in else b""))


def main() -> None:
    subprocess.run(["modprobe", "-a", "vhci-hcd", "i2c-tiny-usb"], check=True)
    ours, kernels = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
    (HUB / "attach").write_text(f"{PORT} {kernels.fileno()} {DEVICE} {HIGH_SPEED}")
    kernels.close()
    serve(ours, Adapter(Chip(Path(sys.argv[1]))))


if __name__ == "__main__":
    main()
