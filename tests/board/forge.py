"""Runs on the board as some user: sends the guard readings of a heavy load for SECONDS, in the place of the scale."""

import socket
import sys
import time

from controller.model.scale_datagram import RawReading, pack

GUARD = "/run/tundish/guard/scale.sock"
HEAVY_COUNTS = 1_500_000
EVERY_S = 0.02


def main() -> None:
    end_s, number, said = time.monotonic() + float(sys.argv[1]), 1_000_000, set()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as forger:
        while time.monotonic() < end_s:
            number += 1
            try:
                forger.sendto(pack(RawReading(number, time.monotonic(), HEAVY_COUNTS + number % 7)), GUARD)
                said.add("sent")
            except OSError as error:
                said.add(str(error.strerror))
            time.sleep(EVERY_S)
    print(", ".join(sorted(said)))


main()
