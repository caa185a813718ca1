"""Runs on the board: claims, switches and closes the pins of the profile in driver_profile.json through our driver.

`calm`: an orderly life. `crash`: killed with a line on, as SIGKILL leaves it.
"""

import os
import signal
import sys
import time
from pathlib import Path

import msgspec

from controller.hal.table import open_board
from controller.model.profile import Profile

STEP_S = 0.3  # long against anything that the emulator's own slowness may stretch


def main(deed: str) -> None:
    profile = msgspec.json.decode(Path(__file__).with_name("driver_profile.json").read_bytes(), type=Profile)
    board = open_board(profile)
    time.sleep(STEP_S)
    first, second = profile.lines[0].line, profile.lines[1].line
    for on in (True, False):
        board.switch(first, on=on)
        time.sleep(STEP_S)
    board.switch(second, on=True)
    time.sleep(STEP_S)
    if deed == "crash":
        os.kill(os.getpid(), signal.SIGKILL)
    board.close()


if __name__ == "__main__":
    main(sys.argv[1])
