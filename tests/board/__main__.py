"""`python3 tests board --rig DIR`: installs a wheel of this copy on an emulated board and watches its pins.

Every line's whole trace is read from outside, from power-on to the pulled plug: a relay that is driven on without an
operation that asked for it fails the run. Takes about a quarter of an hour for each combination of the relay board's
active level and of what the kernel does with the outputs of a process that is gone.
"""

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

from tests.board import board_install
from tests.board.all_cases import cases
from tests.board.board_cases import Finding
from tests.board.board_machine import Machine, machines

TOOLS = ("qemu-system-aarch64", "mkfs.ext4", "e2fsck", "debugfs", "cpio", "openssl")


def arguments(argv: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python3 tests board", description=__doc__)
    parser.add_argument("--rig", type=Path, required=True, help="folder of the board rig (holds rig.py)")
    parser.add_argument("--active", choices=["low", "high"], action="append", help="only this relay board")
    parser.add_argument("--persist", choices=["yes", "no"], action="append", help="only this kernel behaviour")
    parser.add_argument("--quick", action="store_true", help="the most telling cases only")
    names = sorted({case.name for case in cases("", "", quick=False, idle_s=0.0)})
    parser.add_argument("--case", choices=names, action="append", help="after power-on only this one; may be repeated")
    parser.add_argument("--realtime", action="store_true", help="the emulator goes before all else here; needs root")
    parser.add_argument("--idle", type=float, default=60.0, help="s of doing nothing, for the accounts")
    parser.add_argument("--keep", type=Path, help="keep wheel, overlays and cards in this folder and use them again")
    return parser.parse_args(argv)


def missing(rig: Path) -> str:
    """Why nothing can be done here; "" when all is there."""
    if not (rig / "rig.py").is_file():
        return f"there is no rig.py in {rig}"
    images = Path(os.environ.get("RIG_DIR") or f"{tempfile.gettempdir()}/board-rig")
    if not (images / "board/root.cpio").is_file():
        return f"the rig has no images in {images}: run its build-rootfs first"
    absent = [tool for tool in TOOLS if not shutil.which(tool)]
    return f"not installed: {', '.join(absent)}" if absent else ""


def main(argv: list[str]) -> int:
    """0 when every case was looked at and none has a complaint."""
    words = arguments(argv)
    active = tuple(words.active or ("low", "high"))
    persist = tuple({"yes": True, "no": False}[one] for one in words.persist or ("yes", "no"))
    reason = missing(words.rig)
    if reason:
        print(f"not run: {reason}. Not looked at on a board: active {active}, outputs persist {persist}")
        return 1
    sys.path.insert(0, str(words.rig))
    import rig

    with tempfile.TemporaryDirectory(prefix="tundish-board-") as temporary:
        folder = words.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        bad = 0
        for machine in machines(rig, active, persist, is_realtime=words.realtime):
            prepare(machine, folder)
            bad += examine(machine, folder, words)
    print(f"{bad} of the findings are complaints" if bad else "no complaint")
    return 1 if bad else 0


def prepare(like: Machine, folder: Path) -> None:
    """Install on a bare board, commission, and keep what it left: overlay and card. Once for each relay board."""
    rig, active = like.rig, like.active
    overlay = folder / f"installed-{active}"
    if overlay.exists():
        return
    bare = folder / "bare"
    if not bare.exists():
        python = board_install.board_python(rig.RIG)
        board_install.first_overlay(folder, board_install.build_wheel(folder), python)
    card = board_install.new_card(folder / f"card-{active}.img")
    board = rig.Board(f"tundish-install-{active}")
    machine = Machine(rig=rig, board=board, active=active, persist=True, is_realtime=like.is_realtime)
    machine.board.power_cut()
    machine.power_on(bare, card)
    try:
        print(*board_install.install(machine.board, active), sep="\n", flush=True)
        machine.begin()
        machine.wait_until_ready()
        machine.commission()
        tell(active, Finding("install and commission", machine.complaints(), machine.crashes))
        board_install.take_off(machine.board, bare, card, overlay)
    finally:
        machine.board.power_cut()


def examine(machine: Machine, folder: Path, words: argparse.Namespace) -> int:
    """The cases on one machine; how many have complaints."""
    name = f"{machine.active}-{'persist' if machine.persist else 'release'}"
    card = Path(shutil.copy(folder / f"card-{machine.active}.img", folder / f"card-{name}.img"))
    machine.board.power_cut()
    bad = 0
    try:
        overlay, quick = folder / f"installed-{machine.active}", words.quick and not words.case
        first, *others = cases(overlay, card, quick=quick, idle_s=words.idle)
        for case in (first, *(one for one in others if not words.case or one.name in words.case)):
            since_s = time.monotonic()
            try:
                finding = case.look(machine)
            except (machine.rig.RigError, RuntimeError, LookupError, ValueError, OSError) as error:
                finding = Finding(case.name, complaints=[f"{type(error).__name__}: {error}"])
            finding.facts.append(f"took {time.monotonic() - since_s:.0f} s")
            tell(name, finding)
            bad += bool(finding.complaints)
            if finding.is_hopeless:
                break
    finally:
        machine.board.power_cut()
    return bad


def tell(name: str, finding: Finding) -> None:
    """One finding, on the terminal."""
    verdict = "FAILED" if finding.complaints else "ok"
    print(f"{name}: {finding.case}: {verdict}; {'; '.join(filter(None, finding.facts))}")
    for line in finding.complaints:
        print(f"    ! {line}")
    for line in finding.pulses:
        print(f"      {line}")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
