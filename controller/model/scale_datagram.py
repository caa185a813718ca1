"""What the scale's process sends to the guard: one datagram a reading; and what the guard answers: the pace it wants.

Standard library only, since the scale's process loads nothing else.
"""

import struct
from typing import NamedTuple

CONVERTER_BITS = 24
MOST_COUNTS, LEAST_COUNTS = 2 ** (CONVERTER_BITS - 1) - 1, -(2 ** (CONVERTER_BITS - 1))  # at or beyond its range

REST, BUSY = b"rest", b"busy"  # the paces: at most REST_PER_S readings a second, or every one
REST_PER_S = 5.0
PACE_S = 1.0  # how often the guard repeats BUSY
PACE_LASTS_S = 3.0  # how long BUSY holds when it is not repeated

OK, SILENT, UNREADABLE = 0, 1, 2  # what the converter does: converts; answers but gives nothing new; does not answer

_VERSION = 1
_FORM = struct.Struct("<BBQdi")
BYTES = _FORM.size


class RawReading(NamedTuple):
    """One reading as it leaves the converter.

    number: counts up from 1 with every reading since the process's start. at_s: monotonic (s), when the converter had
    it ready. counts: signed. converter: OK, SILENT or UNREADABLE; counts mean nothing unless OK.
    """

    number: int
    at_s: float
    counts: int
    converter: int = OK


def pack(reading: RawReading) -> bytes:
    """The datagram of a reading."""
    return _FORM.pack(_VERSION, reading.converter, reading.number, reading.at_s, reading.counts)


def unpack(datagram: bytes) -> RawReading:
    """The reading in a datagram; ValueError when there is none."""
    if len(datagram) != BYTES or datagram[0] != _VERSION:
        raise ValueError(f"not a reading of version {_VERSION}: {len(datagram)} bytes")
    _, converter, number, at_s, counts = _FORM.unpack(datagram)
    if converter > UNREADABLE or not LEAST_COUNTS <= counts <= MOST_COUNTS or not abs(at_s) < 1e12:  # NaN fails too
        raise ValueError(f"not a reading: converter {converter}, counts {counts}, time {at_s}")
    return RawReading(number, at_s, counts, converter)
