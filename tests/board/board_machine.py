"""The installed machine on the emulated board: switch it on, commission it, pour, and keep what the pins did."""

import json
import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.board import board_pins
from tests.board.board_install import run
from tests.board.board_pins import Pulse, Window

GPIOS = {"low": (2, 4, 5, 6, 7, 8), "high": (22, 23, 24, 27)}  # of the profiles' relays, by active level
LINES = (1, 2, 3, 4)  # of the book
GLASS = {"low": 27, "high": 26}  # of the profiles' glass contacts, closed under a glass
MARK = 16  # a GPIO that neither profile uses
ON_BOARD = "/opt/tundish/bin/python /opt/board-test/on_board.py"
SEGFAULT = 128 + 11
BOOT_PATIENCE = 3  # times that the rig waits for a boot
RECORDS = "/var/lib/tundish"
SERVICES = "tundish-engine tundish-guard"


@dataclass
class Machine:
    """One board with one relay board; `rig` is the rig's module."""

    rig: Any  # the rig's module and board, which are not part of this project
    board: Any
    active: str  # "low" or "high": the level that pulls a relay in
    persist: bool
    is_realtime: bool = False  # the emulator goes before all else on this computer
    changes: list[Any] = field(default_factory=list)  # of the case under way
    windows: list[Window] = field(default_factory=list)
    crashes: list[str] = field(default_factory=list)  # commands that the emulated processor broke, then repeated
    # Servings reported done since the records were set back.
    reported: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def gpios(self) -> frozenset[int]:
        return frozenset(GPIOS[self.active])

    @property
    def off_level(self) -> str:
        return "high" if self.active == "low" else "low"

    # --- power

    def power_on(self, overlay, card) -> dict[str, Any]:
        """Boot, and wait for systemd; its times (s) and state."""
        # ramfs: the default file system of an initial root may only fill half of the memory, and that is too little.
        self.board.power_on(persist=self.persist, overlay=overlay, sd=card, append="rootfstype=ramfs")
        if self.is_realtime:
            for thread in Path(f"/proc/{self.board.pid}/task").iterdir():
                os.sched_setscheduler(int(thread.name), os.SCHED_RR, os.sched_param(1))
        times = booted(self.rig, self.board)
        self.trace = self.rig.Trace(self.board.dir)
        return times

    def reset(self) -> dict[str, Any]:
        self.board.reset()
        return booted(self.rig, self.board)

    # --- pins

    def begin(self) -> None:
        """Start a case: nothing of what the pins did before counts, save that what is on stays on."""
        self.look()
        self.changes, self.windows = [], []

    def look(self) -> list[Any]:
        self.changes += self.trace.changes()
        return self.changes

    def pulses(self) -> list[Pulse]:
        return board_pins.pulses(self.look(), self.gpios, self.active)

    def allow(self, start_s: float, end_s: float, gpios: frozenset[int] | None = None) -> None:
        """Between these instants (host's clock, s) these relays may be on."""
        self.windows.append(Window(gpios=gpios or self.gpios, start_s=start_s, end_s=end_s))

    def complaints(self) -> list[str]:
        return board_pins.unasked(self.pulses(), self.windows)

    def driven(self) -> dict[int, str]:
        """What the board does to each relay's GPIO now: high, low, or input."""
        return {pin.number: pin.driven for pin in self.board.pins.read(sorted(self.gpios))}

    # --- commands

    def run(self, command: str, timeout: float = 120) -> str:
        return run(self.board, command, timeout)

    def tundish(self, *words: str) -> dict[str, Any]:
        """The answer of one command with --json; its exit code as "exit_code"."""
        quoted = " ".join(f"'{word}'" for word in words)
        done = self.board.run(f"PYTHONFAULTHANDLER=1 tundish {quoted} --json", timeout=180)
        if done.rc == SEGFAULT:
            self.crashes.append(f"tundish {quoted}: {done.err}")
            done = self.board.run(f"PYTHONFAULTHANDLER=1 tundish {quoted} --json", timeout=180)
        try:
            answer = json.loads(done.out or done.err)
        except ValueError:
            answer = {"said": done.out + done.err}
        return {"exit_code": done.rc, **(answer if isinstance(answer, dict) else {"list": answer})}

    def on_board(self, way: str, words: str, timeout: float = 180) -> dict[str, Any]:
        """The report of on_board.py."""
        told: dict[str, Any] = json.loads(self.run(f"{ON_BOARD} {way} {words}", timeout))
        return told

    def status(self) -> dict[str, Any]:
        return self.tundish("status")

    def wait_until_ready(self, limit_s: float = 90) -> dict[str, Any]:
        """Until the machine is idle; the status then, or the last one."""
        end = time.monotonic() + limit_s
        while True:
            status = self.status()
            if status.get("state") == "idle" or time.monotonic() > end:
                return status
            time.sleep(1)

    def restore(self) -> dict[str, Any]:
        """Services stopped, records as they were once commissioned, services running again; the status then.

        After a crash the lines in motion hold who knows what, and rightly want cleaning, which takes half an hour.
        """
        self.run(
            f"systemctl kill --signal=CONT {SERVICES}; systemctl stop {SERVICES}; systemctl reset-failed {SERVICES};"
            f" rm -rf {RECORDS}/guard {RECORDS}/engine && cp -a {RECORDS}/commissioned/. {RECORDS}/ && sync"
            f" && systemctl start {SERVICES}",
            timeout=300,
        )
        self.reported = {}
        return self.wait_until_ready()

    def commission(self) -> None:
        """Fill every line and give it a calibration from weighings that were made elsewhere."""
        since_s = time.time()
        for line in LINES:
            self.expect(self.tundish("prime", str(line), "--jug"))
        self.run(f"{ON_BOARD} calibrate {' '.join(map(str, LINES))}", timeout=600)
        self.run(
            f"systemctl stop {SERVICES}; mkdir {RECORDS}/commissioned;"
            f" cp -a {RECORDS}/guard {RECORDS}/engine {RECORDS}/commissioned && sync"
        )
        self.allow(since_s, time.time())

    def expect(self, answer: dict[str, Any]) -> dict[str, Any]:
        if answer["exit_code"]:
            raise RuntimeError(f"the board refused: {answer}")
        return answer

    def another_glass(self) -> None:
        """Take the glass and set another down: the next drink wants one."""
        self.lift_glass()
        time.sleep(1.5)
        self.board.pins.set_input(GLASS[self.active], False)
        time.sleep(1.0)

    def lift_glass(self) -> None:
        """Take it from under the funnel."""
        self.board.pins.set_input(GLASS[self.active], True)

    def pour_and(self, *, recipe: str = "Long Fizz", **words: object) -> tuple[dict[str, Any], float]:
        """Pour, and in mid-pour do what `words` say (on_board.py); its report, and the host's time of the deed."""
        self.another_glass()
        options = " ".join(f"--{name} '{value}'" for name, value in words.items())
        report = self.on_board("pour", f"'{recipe}' --mark {MARK} {options}")
        if not report["is_pouring"]:
            raise RuntimeError(f"nothing poured: {report['view']}")
        marked_s = board_pins.rise_s(self.look(), MARK)
        if marked_s is None:
            raise RuntimeError("the mark is not in the trace")
        return report, marked_s


def booted(rig, board) -> dict[str, Any]:
    """Wait until systemd is through. While it is busy starting, the rig's agent may not answer in the rig's time."""
    for _ in range(BOOT_PATIENCE):
        try:
            report: dict[str, Any] = board.wait()
            return report
        except rig.RigError as error:
            refused = error
    raise RuntimeError(f"the board does not come up: {refused}")


def machines(rig, active: tuple[str, ...], persist: tuple[bool, ...], *, is_realtime: bool):
    """One machine for each combination."""
    for level in active:
        for mode in persist:
            board = rig.Board(f"tundish-{level}-{int(mode)}")
            yield Machine(rig=rig, board=board, active=level, persist=mode, is_realtime=is_realtime)
