"""What is done to the machine on the board, and what must then be seen on its pins.

The emulated board is several times slower than a real one, and shares this computer: the limits here are the design's
times SLOWNESS, and every measured figure is printed. Orders and levels hold exactly: one driven on level that nobody
asked for fails the run, however short.
"""

import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.board.board_install import REMOVE, run
from tests.board.board_machine import GPIOS, RECORDS, Machine
from tests.board.board_pins import off_after_s
from tests.board.sandbox import vet

SLOWNESS = 5.0
FROZEN_S, LAST_LAYER_S = 0.7 * SLOWNESS, 1.0 * SLOWNESS
KILLED_S = 0.45  # sooner than silence tells: it was the end of the process that was noticed
STOPPED_S = 1.0 * SLOWNESS  # systemd's own time included
STANDSTILL_S = 20.0  # longer than the pour: its end is due meanwhile, and whoever writes is stuck in the kernel
STANDSTILL = f"fsfreeze -f {RECORDS}; sleep {STANDSTILL_S:g}; fsfreeze -u {RECORDS}"
OPENED = Path("/etc/systemd/system/tundish-engine.service.d/lan.conf")
POURED = "/run/pour.json"
PAUSE_S = 3.0  # longer than the profiles' pause between servings
UNPLUGGED_S = 0.5  # how old the mark may be when the emulator is gone


@dataclass
class Finding:
    """What came of one case: complaints (none: passed), facts, pulses of the relays."""

    case: str
    complaints: list[str] = field(default_factory=list)
    facts: list[str] = field(default_factory=list)
    pulses: list[str] = field(default_factory=list)
    is_hopeless: bool = False  # nothing after it can be looked at

    def add(self, fact: str, complaints: Iterable[str] = ()) -> None:
        """Take in what a part of the case has found."""
        self.facts.append(fact)
        self.complaints += complaints


@dataclass(frozen=True, kw_only=True)
class Deed:
    """Something done in mid-pour: words for on_board.py, how soon all must be off (s), whether it comes back."""

    case: str
    words: dict[str, Any]
    limit_s: float
    comes_back: bool = True


DEEDS = (
    Deed(case="engine SIGKILL", words={"hurt": "engine"}, limit_s=KILLED_S),
    Deed(case="engine SIGSTOP", words={"hurt": "engine", "signal": "STOP"}, limit_s=FROZEN_S, comes_back=False),
    Deed(case="guard SIGKILL", words={"hurt": "guard"}, limit_s=KILLED_S),
    Deed(case="guard SIGSTOP", words={"hurt": "guard", "signal": "STOP"}, limit_s=FROZEN_S),
    # The kernel takes its time to choose a victim, and tells its whole story on the console before it kills.
    Deed(case="guard out of memory", words={"hurt": "guard", "signal": "OOM"}, limit_s=FROZEN_S),
    Deed(case="sentinel SIGKILL", words={"hurt": "sentinel"}, limit_s=KILLED_S),
    Deed(case="sentinel SIGSTOP", words={"hurt": "sentinel", "signal": "STOP"}, limit_s=FROZEN_S),
    Deed(case="guard and sentinel SIGKILL", words={"hurt": "sentinel,guard"}, limit_s=LAST_LAYER_S),
    Deed(
        case="systemctl stop engine",
        words={"command": "systemctl stop tundish-engine"},
        limit_s=STOPPED_S,
        comes_back=False,
    ),
    Deed(
        case="systemctl stop guard",
        words={"command": "systemctl stop tundish-guard"},
        limit_s=STOPPED_S,
        comes_back=False,
    ),
    Deed(case="card that stands still", words={"command": STANDSTILL}, limit_s=STANDSTILL_S),
    Deed(case="tundish stop", words={"command": "tundish stop"}, limit_s=3.0 * SLOWNESS),
)
QUICK = ("engine SIGKILL", "guard SIGKILL", "guard SIGSTOP")


def powered_on(machine: Machine, overlay, card) -> Finding:
    """From the plug to a machine that answers: no relay moves."""
    finding = Finding("power-on")
    started_s = time.time()
    times = machine.power_on(overlay, card)
    status = machine.wait_until_ready()
    claimed = [
        change.at for change in machine.look() if change.pin in machine.gpios and change.new == machine.off_level
    ]
    finding.facts = [f"booted after {times['booted']:.0f} s ({times['state']})"]
    if claimed:
        finding.facts.append(f"lines claimed after {min(claimed) - started_s:.0f} s")
    finding.facts.append(f"state {status.get('state')}")
    if status.get("state") != "idle":
        finding.is_hopeless = True
        finding.complaints.append(f"the machine is not ready: {status}")
    return judge(machine, finding, must_be_driven_off=True)


def vetted(machine: Machine) -> Finding:
    """What the board's own systemd says of the installed units, and whether the profile fits the board."""
    finding = Finding("units")
    machine.begin()
    for words in (("tundish-guard.service", "/dev/gpiochip0"), ("tundish-engine.service",)):
        finding.add(*vet(machine, *words))
    files = ("--profile", "/etc/tundish/profile.yaml", "--book", "/etc/tundish/book.yaml")
    answer = machine.tundish("check", *files, "--on-board")
    if answer["exit_code"] or answer.get("on_board"):
        finding.complaints.append(f"the profile does not fit the board: {answer}")
    else:
        finding.facts.append("check --on-board: all fits")
    return judge(machine, finding, must_be_driven_off=True)


def poured(machine: Machine) -> Finding:
    """A serving to its end: its lines once each, no other."""
    finding = Finding("serve")
    machine.begin()
    time.sleep(PAUSE_S)
    since_s = time.time()
    machine.another_glass()
    view = machine.tundish("pour", "Small Fizz")
    gpios = GPIOS[machine.active]
    machine.allow(since_s, time.time(), frozenset({gpios[0], gpios[2], gpios[3]}))
    if view.get("outcome") != "done":
        finding.complaints.append(f"the serving did not end as done: {view}")
    else:
        machine.reported[view["operation"]] = view
    if sorted(pulse.gpio for pulse in machine.pulses()) != sorted((gpios[0], gpios[2], gpios[3])):
        finding.complaints.append("not each of its three lines ran once")
    return judge(machine, finding, must_be_driven_off=True)


def restarted(machine: Machine) -> Finding:
    """Guard stopped and started at rest: released and claimed again, no relay moves."""
    finding = Finding("stop and start at rest")
    machine.begin()
    machine.run("systemctl stop tundish-guard; sleep 1; systemctl start tundish-guard")
    machine.wait_until_ready()
    return judge(machine, finding, must_be_driven_off=True)


def rested(machine: Machine, seconds: float) -> Finding:
    """Nothing happens: nothing moves, nothing is written, next to nothing is logged."""
    finding = Finding(f"idle for {seconds:g} s")
    machine.begin()
    report = machine.on_board("idle", str(seconds), timeout=seconds + 120)
    for name, account in report["processes"].items():
        percent = 100 * account["cpu_s"] / seconds
        finding.facts.append(f"{name} {account['memory_mib']:.1f} MiB, {percent:.2f} % of an emulated core")
        if account["written"]:
            finding.complaints.append(f"the idle {name} wrote {account['written']} bytes")
    finding.complaints += [f"logged at rest: {line}" for line in report["logged"]]
    return judge(machine, finding, must_be_driven_off=True)


def hurt(machine: Machine, deed: Deed) -> Finding:
    """Something happens to a process in mid-pour: all off in time, nothing comes on again by itself."""
    finding = Finding(deed.case)
    machine.begin()
    since_s = time.time()
    report, marked_s = machine.pour_and(**{"watch": 5, **deed.words})
    machine.allow(since_s, marked_s + deed.limit_s)
    after_s = off_after_s(machine.pulses(), marked_s)
    finding.facts.append(f"all off after {_seconds(after_s)} (limit here {deed.limit_s:g} s)")
    if after_s is None:
        finding.complaints.append(f"no line was on when it happened: {report['view']}")
    if deed.comes_back:
        status = machine.wait_until_ready()
        if status.get("state") != "idle":
            finding.complaints.append(f"the machine did not come back to idle by itself: {status}")
        finding.facts.append(f"then {status.get('state')}")
    else:  # what comes back pours on as it is: the lines were serving their own liquids
        judge(machine, finding)
        machine.restore()
    return judge(machine, finding, must_be_driven_off=True)


def reset(machine: Machine) -> Finding:
    """The reset button in mid-pour: pins become inputs at once, and nothing runs after the boot."""
    finding = Finding("reset in mid-pour")
    machine.begin()
    since_s = begin_pour(machine)
    machine.allow(since_s, time.time() + UNPLUGGED_S)
    times = machine.reset()
    status = machine.wait_until_ready()
    finding.facts = [f"booted after {times['booted']:.0f} s", f"state {status.get('state')}"]
    judge(machine, finding, must_be_driven_off=True)
    machine.restore()
    return judge(machine, finding, must_be_driven_off=True)


def unplugged(machine: Machine, overlay, card) -> Finding:
    """The plug pulled in the pour after a serving: what was reported done is there after the boot, and nothing runs."""
    finding = Finding("plug pulled in mid-pour", complaints=poured(machine).complaints)
    machine.begin()
    machine.allow(begin_pour(machine), float("inf"))
    before = judge(machine, Finding(""))
    machine.board.power_cut()
    machine.changes, machine.windows = [], []
    machine.power_on(overlay, card)
    status = machine.wait_until_ready()
    kept = {view["operation"]: view for view in machine.tundish("history", "--limit", "1000")["list"]}
    told = machine.reported
    lost = [name for name, view in told.items() if _record(kept.get(name)) != _record(view)]
    finding.complaints += before.complaints + [
        f"serving {name} was reported as {_record(told[name])}, kept is {_record(kept.get(name))}" for name in lost
    ]
    unknown = sorted(line["line"] for line in status["lines"] if line["contents"] == "unknown")
    at_most = {line["line"] for view in kept.values() for line in view["lines"] if line["at_most"]}
    open_ones = [view["operation"] for view in kept.values() if view["outcome"] is None and not view["refused"]]
    finding.facts = [f"servings reported done: {len(told)}, lost: {len(lost)}", f"lines unknown: {unknown}"]
    if unknown or not at_most >= {1, 4}:
        finding.complaints.append(f"lines 1 and 4 served their own liquid: unknown are {unknown}, in doubt {at_most}")
    if open_ones:
        finding.complaints.append(f"left open in the ledger: {open_ones}")
    return judge(machine, finding, must_be_driven_off=True)


def removed(machine: Machine) -> Finding:
    """Taken off the board, the network open: nothing of ours is left but profile, book and records; no relay moves."""
    finding = Finding("uninstall")
    machine.begin()
    machine.run(f"mkdir -p {OPENED.parent} && echo '[Service]' > {OPENED}")  # as `network on` leaves it
    machine.run(REMOVE, timeout=300)
    active = machine.run("systemctl is-active tundish-guard tundish-engine || true").split()
    if set(active) != {"inactive"}:
        finding.complaints.append(f"the services are {active}")
    kept = machine.run(f"ls /etc/tundish/*.yaml {RECORDS}/guard/* {RECORDS}/engine/* && ls /etc/systemd/system").split()
    wanted = ("/etc/tundish/profile.yaml", "/etc/tundish/book.yaml", f"{RECORDS}/guard/journal.head")
    finding.complaints += [f"{path} is gone" for path in (*wanted, f"{RECORDS}/engine/ledger.db") if path not in kept]
    finding.complaints += [f"left behind: {name}" for name in kept if name.startswith("tundish-")]
    finding.facts = [f"services {active[0] if active else active}, records kept"]
    return judge(machine, finding)


def _record(view: dict[str, Any] | None) -> object:
    """What must not be lost of a serving: its outcome and what each line delivered."""
    return view and (view["outcome"], sorted((line["line"], round(line["delivered_ml"], 3)) for line in view["lines"]))


def begin_pour(machine: Machine) -> float:
    """Begin a long pour that outlives the command, until a second after a line is on; since when (host's clock, s)."""
    machine.another_glass()
    since_s = time.time()
    machine.board.stream(f"nohup tundish pour 'Long Fizz' --json > {POURED} 2>&1 < /dev/null &", timeout=60)
    while not any(pulse.start_s > since_s and pulse.end_s == float("inf") for pulse in machine.pulses()):
        if time.time() > since_s + 60:
            raise RuntimeError(f"no line went on: {run(machine.board, f'cat {POURED}')}")
        time.sleep(0.1)
    time.sleep(1.0)
    return since_s


def judge(machine: Machine, finding: Finding, *, must_be_driven_off: bool = False) -> Finding:
    """The finding with what the relays' pins did since the case began."""
    finding.complaints += [one for one in machine.complaints() if one not in finding.complaints]
    if must_be_driven_off:
        wrong = {gpio: how for gpio, how in machine.driven().items() if how != machine.off_level}
        if wrong:
            finding.complaints.append(f"not driven off at the end: {wrong}")
    finding.facts += [f"repeated after a segmentation fault: {one}" for one in machine.crashes]
    machine.crashes.clear()
    zero_s = min((pulse.start_s for pulse in machine.pulses()), default=0.0)
    finding.pulses = [
        f"GPIO {pulse.gpio} on +{pulse.start_s - zero_s:.3f} s to +{pulse.end_s - zero_s:.3f} s"
        for pulse in machine.pulses()
    ]
    return finding


def _seconds(value: float | None) -> str:
    return "(nothing was on)" if value is None else f"{value:.3f} s"
