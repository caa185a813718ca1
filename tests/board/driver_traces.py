"""What our pin driver does to the pins of an emulated board, told edge by edge: `python3 tests driver --rig DIR`.

Boots the board once for each kernel behaviour and relay board, then claims, switches, closes, is killed with a line
on, and claims again. Every pin's whole sequence of driven levels must be the expected one; a pulse would be an
edge too many.
"""

import argparse
import shutil
import sys
import tempfile
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import msgspec

from controller.config import load_profile
from controller.model.profile import Profile
from tests.board.board_machine import booted

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PROFILES = {"low": "six_line", "high": "four_line_active_high"}
ON_BOARD = "/opt/driver"


DEEDS = ("calm", "crash", "calm")  # the lives of one board, see driver_on_board.py


def expected(profile: Profile, *, persist: bool) -> dict[int, list[str]]:
    """What each relay's GPIO is driven to in those lives: high, low, or input; changes only."""
    on, off = ("low", "high") if profile.relay_board.active_level == "low" else ("high", "low")
    first, second, *others = [line.gpio for line in profile.lines]
    sequences = {}
    for gpio in (first, second, *others):
        states: list[str] = []
        for deed in DEEDS:
            states += [off] if gpio in others else [off, on] if (gpio, deed) == (second, "crash") else [off, on, off]
            states += [] if persist else ["input"]
        sequences[gpio] = driven(states)
    return sequences


def driven(states: Iterable[str]) -> list[str]:
    """Changes of what drives a pin, from an input on; a bus that the pin belongs to at the start drives no relay."""
    plain = ["input", *(state if state in ("high", "low") else "input" for state in states)]
    return [now for before, now in pairwise(plain) if now != before]


def observe(rig, profile: Profile, *, persist: bool) -> dict[int, list[str]]:
    """Driven levels by GPIO over three lives (calm, crash, calm)."""
    board = rig.Board("driver")
    with tempfile.TemporaryDirectory(prefix="driver-overlay-") as folder:
        home = Path(folder) / ON_BOARD.lstrip("/")
        shutil.copytree(ROOT / "controller", home / "controller", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(HERE / "driver_on_board.py", home)
        (home / "driver_profile.json").write_bytes(msgspec.json.encode(profile))
        board.power_cut()
        board.power_on(persist=persist, overlay=folder)
    try:
        booted(rig, board)
        trace = rig.Trace(board.dir)
        trace.changes()
        for deed in DEEDS:
            done = board.run(f"cd {ON_BOARD} && python3 driver_on_board.py {deed}", timeout=180)
            if done.rc != (0 if deed == "calm" else 137):
                raise RuntimeError(f"{deed}: exit code {done.rc}\n{done.out}{done.err}")
        changes = trace.changes()
        return {line.gpio: driven(one.new for one in changes if one.pin == line.gpio) for line in profile.lines}
    finally:
        board.power_cut()


def main(argv: list[str]) -> int:
    """0 when every pin did exactly what it should."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rig", type=Path, required=True, help="folder of the board rig (holds rig.py)")
    parser.add_argument("--active", choices=list(PROFILES), action="append", help="only this relay board")
    words = parser.parse_args(argv)
    rig_folder = words.rig
    if not (rig_folder / "rig.py").is_file():
        print(f"not run: there is no rig.py in {rig_folder}. The driver's edges were not looked at on a board")
        return 1
    sys.path.insert(0, str(rig_folder))
    import rig

    bad = 0
    for active, name in PROFILES.items():
        if active not in (words.active or PROFILES):
            continue
        profile, _ = load_profile(ROOT / "hardware_profiles" / f"{name}.yaml")
        for persist in (True, False):
            seen = observe(rig, profile, persist=persist)
            wanted = expected(profile, persist=persist)
            print(f"active {active}, outputs {'persist' if persist else 'become inputs'}")
            for gpio, levels in seen.items():
                right = levels == wanted[gpio]
                bad += not right
                print(
                    f"  GPIO {gpio}: {' '.join(levels)}" + ("" if right else f"   WRONG, not {' '.join(wanted[gpio])}")
                )
    print(f"{bad} pins did something else" if bad else "every pin did what it should and nothing else")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
