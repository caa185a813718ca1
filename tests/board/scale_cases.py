"""The scale's unit on a real systemd: its user, its sandbox, its only device, and who else can speak for it.

The converter hangs on a USB adapter for I2C, which usb_i2c.py plays.
"""

import time
from collections.abc import Callable
from typing import Any

from tests.board.board_cases import Finding, judge
from tests.board.board_install import HERE, bring_modules
from tests.board.board_machine import Machine
from tests.board.sandbox import vet

SERVICE = "tundish-scale.service"
PYTHON = "/opt/tundish/bin/python"
LOAD, PROFILE, PLAIN_PROFILE = "/run/board-load", "/etc/tundish/profile.yaml", "/run/plain-profile.yaml"
PLUG = f"systemd-run --quiet --unit=usb-i2c {PYTHON} /opt/board-test/usb_i2c.py {LOAD}"
UNPLUG = "systemctl stop usb-i2c; systemctl reset-failed usb-i2c; true"
BUS = "grep -l tiny-usb /sys/bus/i2c/devices/i2c-*/name | sed 's/.*i2c-//; s#/name##'"
WITH_SCALE = "\nscale: {{converter: i2c, capacity: 5 kg, readings_per_s: 10, bus: {bus}}}\n"
MASS_G = 500.0
SEEN_S = 60.0  # the emulated command alone takes seconds


def weighed(machine: Machine) -> Finding:
    """A scale is added to the profile, zeroed, spanned, forged, killed, unplugged, and taken away again."""
    finding = Finding("scale")
    machine.begin()
    bring_modules(machine.board, machine.rig.RIG, "vhci-hcd", "i2c-tiny-usb")
    machine.run("mkdir -p /opt/board-test/tests")
    for script in (HERE / "usb_i2c.py", HERE / "forge.py"):
        machine.board.put(script, "/opt/board-test")
    machine.board.put(HERE.parent / "nau7802_registers.py", "/opt/board-test/tests")
    _put_on(machine, 0.0)
    machine.run(f"cp -a {PROFILE} {PLAIN_PROFILE}; {PLUG}")
    try:
        bus = _await_bus(machine)
        if machine.run(f"ls /dev/i2c-{bus} 2> /dev/null || true"):
            finding.facts.append("i2c-dev was loaded already")
        machine.run(f"printf '{WITH_SCALE.format(bus=bus)}' >> {PROFILE}")
        machine.run("tundish install --apply", timeout=300)
        machine.wait_until_ready()
        _await(machine, lambda view: view["doubt"] == "unspanned", "its first reading")
        finding.add(*vet(machine, SERVICE, f"/dev/i2c-{bus}"))
        for look in (_spanned, _forged, _killed, _unplugged):
            look(machine, finding, bus)
    finally:
        machine.run(f"cp -a {PLAIN_PROFILE} {PROFILE}; {UNPLUG}")
    _taken_away(machine, finding)
    return judge(machine, finding, must_be_driven_off=True)


def _await_bus(machine: Machine) -> int:
    """The number of the adapter's bus, once the kernel has made it."""
    end_s = time.monotonic() + SEEN_S
    while not (found := machine.run(BUS).strip()):
        if time.monotonic() > end_s:
            said = machine.run("journalctl -u usb-i2c -o cat; dmesg | tail -20")
            raise RuntimeError(f"the kernel makes no bus of the adapter: {said}")
        time.sleep(1)
    return int(found)


def _spanned(machine: Machine, finding: Finding, _: int) -> None:
    """Zero and span through converter, bus, process, guard and engine; then it weighs."""
    machine.expect(machine.tundish("scale", "zero"))
    _put_on(machine, MASS_G)
    span = machine.expect(machine.tundish("scale", "span", f"{MASS_G:g} g"))
    _put_on(machine, 2 * MASS_G / 3)
    view = _await(machine, lambda one: _shows(one, 2 * MASS_G / 3), "two thirds of the mass")
    finding.facts.append(f"{span['counts_per_g']:.2f} counts/g, {view['load_g']:.1f} g at {2 * MASS_G / 3:.1f} g")


def _forged(machine: Machine, finding: Finding, _: int) -> None:
    """Readings of members of the group are refused, those of strangers do not arrive; the scale's own user is heard."""
    said = {}
    for user, group in (("nobody", "tundish"), ("tundish-engine", "tundish"), ("nobody", "nogroup")):
        said[f"{user}:{group}"] = _forge(machine, user, group)
        view = machine.tundish("scale")
        if not _shows(view, 2 * MASS_G / 3):
            finding.complaints.append(f"forged by {user}:{group}: {view}")
    wanted = {"nobody:tundish": "sent", "tundish-engine:tundish": "sent", "nobody:nogroup": "Permission denied"}
    if said != wanted:
        finding.complaints.append(f"the forgers were told {said}, not {wanted}")
    machine.run(f"systemctl stop {SERVICE}")
    _put_on(machine, 0.0)
    own = "--unit=forger --uid=tundish-scale --gid=tundish"
    machine.run(f"systemd-run --quiet {own} {PYTHON} /opt/board-test/forge.py 40")
    try:
        _await(machine, lambda one: (one["load_g"] or 0.0) > 1000, "what the scale's own user sends", 35)
    finally:
        machine.run(f"systemctl stop forger; systemctl start {SERVICE}")
    _await(machine, lambda one: _shows(one, 0.0), "the empty platform, by the scale again")
    finding.facts.append(f"forgers: {said}; the same as tundish-scale: heard")


def _forge(machine: Machine, user: str, group: str) -> str:
    words = f"setpriv --reuid {user} --regid {group} --clear-groups {PYTHON} /opt/board-test/forge.py 3"
    return machine.run(words).strip()


def _killed(machine: Machine, finding: Finding, _: int) -> None:
    """It starts again by itself, and finds the guard."""
    before = machine.run(f"systemctl show -P MainPID {SERVICE}")
    machine.run(f"systemctl kill --signal=KILL {SERVICE}")
    since_s = time.monotonic()
    _await(machine, lambda one: one["doubt"] == "silent", "its silence", 30)
    _await(machine, lambda one: _shows(one, 0.0), "its readings after a kill")
    if machine.run(f"systemctl show -P MainPID {SERVICE}") == before:
        finding.complaints.append("it was not killed")
    finding.facts.append(f"killed: weighs again within {time.monotonic() - since_s:.0f} s")


def _unplugged(machine: Machine, finding: Finding, bus: int) -> None:
    """The adapter is pulled: told, and the kernel gets its bus back; plugged in again: weighs by itself.

    The second time its service begins without the bus, as it may at a boot.
    """
    for what, restart in (("pulled", "true"), ("begun without its bus", f"systemctl restart {SERVICE}")):
        machine.run(UNPLUG)
        _await(machine, lambda one: one["doubt"] == "unreadable", "the converter gone")
        if machine.run(f"ls /dev/i2c-{bus} 2> /dev/null || true").strip():
            finding.complaints.append("the bus that was pulled is still there")
        machine.run(restart)
        machine.run(PLUG)
        again = _await_bus(machine)
        since_s = time.monotonic()
        _await(machine, lambda one: _shows(one, 0.0), f"its readings, {what} and plugged in again")
        finding.facts.append(f"{what}, plugged in again: weighs within {time.monotonic() - since_s:.0f} s")
        if again != bus:
            finding.complaints.append(f"bus {again}, before {bus}")


def _taken_away(machine: Machine, finding: Finding) -> None:
    """A profile without a scale: the installation removes its unit."""
    machine.run("tundish install --apply", timeout=300)
    left = machine.run("ls /etc/systemd/system /etc/udev/rules.d /etc/modules-load.d | grep scale || true").split()
    if left or machine.run(f"systemctl is-active {SERVICE} || true").strip() != "inactive":
        finding.complaints.append(f"left behind of the scale: {left}")
    machine.restore()


def _put_on(machine: Machine, grams: float) -> None:
    machine.run(f"echo {grams} > {LOAD}.new && mv {LOAD}.new {LOAD}")


def _shows(view: dict[str, Any], grams: float) -> bool:
    return not view["doubt"] and view["load_g"] is not None and abs(view["load_g"] - grams) < 1.0


def _await(
    machine: Machine, is_so: Callable[[dict[str, Any]], bool], what: str, limit_s: float = SEEN_S
) -> dict[str, Any]:
    """Until the scale's view is so; RuntimeError with what it is instead."""
    end_s = time.monotonic() + limit_s
    while not is_so(view := machine.tundish("scale")):
        if time.monotonic() > end_s:
            said = machine.run(f"journalctl -u {SERVICE} -o cat -n 20")
            raise RuntimeError(f"not seen within {limit_s:g} s: {what}. The scale is {view}\n{said}")
        time.sleep(0.5)
    return view
