"""The adapter that the board's kernel talks to, with the kernel's side played here: what i2c-tiny-usb sends."""

import socket
import struct
import threading

import pytest

from tests.board import usb_i2c

READ, WRITE, ADDRESS = 0xC1, 0x41, 0x2A
FIRST, LAST, ONLY = 5, 6, 7  # of the messages of one transfer, as a request


@pytest.fixture
def kernel(tmp_path):
    """Our end of the wire; on the other the adapter, with 250 g on its load cell."""
    (tmp_path / "load").write_text("250")
    wire, device = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
    adapter = usb_i2c.Adapter(usb_i2c.Chip(tmp_path / "load"))
    serving = threading.Thread(target=usb_i2c.serve, args=(device, adapter))
    serving.start()
    yield wire
    wire.close()
    serving.join(5.0)
    device.close()
    assert not serving.is_alive()


def submit(wire, kind, request, *, value=0, index=0, length=0, data=b""):
    """One control transfer: its status and what came back."""
    is_in = bool(kind & 0x80)
    setup = struct.pack("<BBHHH", kind, request, value, index, length or len(data))
    rest = struct.pack(">5I", 0, length or len(data), 0, 0, 0) + setup
    wire.sendall(usb_i2c.HEADER.pack(usb_i2c.SUBMIT, 77, 1, is_in, 0, rest) + data)
    stream = wire.makefile("rb")
    command, number, *_, rest = usb_i2c.HEADER.unpack(stream.read(usb_i2c.HEADER.size))
    status, actual = struct.unpack(">ii", rest[:8])
    assert (command, number) == (usb_i2c.SUBMITTED, 77)
    return status, stream.read(actual) if is_in else actual


def test_the_bridge_identifies_itself(kernel):
    status, device = submit(kernel, 0x80, 6, value=1 << 8, length=18)
    assert (status, device[8:12]) == (0, bytes.fromhex("0304 31c6"))
    status, whole = submit(kernel, 0x80, 6, value=2 << 8, length=255)
    assert len(whole) == struct.unpack_from("<H", whole, 2)[0] == 18
    assert submit(kernel, 0x80, 6, value=15 << 8, length=5) == (usb_i2c.STALL, b"")
    assert submit(kernel, READ, 1, length=4)[1] == struct.pack("<I", usb_i2c.I2C | usb_i2c.SMBUS_EMULATED)


def test_registers_are_written_and_read(kernel):
    assert submit(kernel, WRITE, ONLY, index=ADDRESS, data=b"\x01\x2f") == (0, 2)
    submit(kernel, WRITE, FIRST, index=ADDRESS, data=b"\x01")
    assert submit(kernel, READ, LAST, index=ADDRESS, length=1) == (0, b"\x2f")
    assert submit(kernel, READ, 3, length=1) == (0, bytes((usb_i2c.ACKNOWLEDGED,)))
    submit(kernel, WRITE, FIRST, index=ADDRESS, data=b"\x12")
    _, counts = submit(kernel, READ, LAST, index=ADDRESS, length=3)
    wanted = usb_i2c.EMPTY_COUNTS + 250 * usb_i2c.COUNTS_PER_G
    assert int.from_bytes(counts, "big") == pytest.approx(wanted, abs=10 * usb_i2c.NOISE_COUNTS)


def test_nobody_answers_at_another_address(kernel):
    submit(kernel, WRITE, FIRST, index=0x50, data=b"\x01")
    submit(kernel, READ, LAST, index=0x50, length=1)
    assert submit(kernel, READ, 3, length=1) == (0, bytes((usb_i2c.NOT_ACKNOWLEDGED,)))
