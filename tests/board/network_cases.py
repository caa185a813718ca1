"""The local network on a real systemd: opened, used by a phone, encrypted, closed. The board has no network of its own,
so the phone is a network namespace at the other end of a virtual cable."""

import json
import shlex
import subprocess
import tempfile
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from tests.board.board_cases import OPENED, Finding, judge
from tests.board.board_install import HERE, bring_modules
from tests.board.board_machine import Machine
from tests.board.sandbox import vet

BOARD, PHONE, OUTSIDE = "192.168.77.1", "192.168.77.2", "203.0.113.9"  # the last from RFC 5737: nobody's
PORT, OTHER_PORT = 8080, 8081
CABLE = f"""
ip netns add phone
ip link add cable type veth peer name phone
ip link set phone netns phone
ip addr add {BOARD}/24 dev cable && ip link set cable up
ip route add {OUTSIDE}/32 dev cable
ip -n phone addr add {PHONE}/24 dev phone && ip -n phone addr add {OUTSIDE}/32 dev phone
ip -n phone link set phone up && ip -n phone link set lo up
ip -n phone route add 224.0.0.0/4 dev phone
mkdir -p /etc/netns/phone && echo '{BOARD} board.local other.local' > /etc/netns/phone/hosts
systemctl try-restart avahi-daemon.service
systemd-run --quiet --unit=other-service python3 -m http.server --directory /etc/netns {OTHER_PORT}
"""
PHONE_PROGRAM = "python3 /opt/board-test/phone.py"
UNCABLE = "systemctl stop other-service; ip link del cable; ip netns del phone; rm -rf /etc/netns/phone"
CERTIFICATE, KEY = "/etc/tundish/board.crt", "/etc/tundish/board.key"
NOBODY_ANNOUNCES = "Nothing announces a name here"


def opened(machine: Machine) -> Finding:
    """`network on`, what a phone can and cannot do then, `invite`, `renew`, TLS, `network off`."""
    finding = Finding("network on and off")
    machine.begin()
    bring_modules(machine.board, machine.rig.RIG, "veth")
    machine.board.put(HERE / "phone.py", "/opt/board-test")
    machine.run(CABLE)
    try:
        _expect(finding, "before", _phone(machine, f"http://{BOARD}:{PORT}/"), None)
        _switch_on(machine, finding)
        _use(machine, finding)
        _encrypt(machine, finding)
        _switch_off(machine, finding)
    finally:
        machine.run(f"tundish network off; {UNCABLE}", timeout=180)
    machine.wait_until_ready()
    return judge(machine, finding, must_be_driven_off=True)


def _switch_on(machine: Machine, finding: Finding) -> None:
    """Opened: by the announced name where something announces it, else by the address, and said so."""
    said = machine.run("tundish network on", timeout=240)
    announced = machine.run("test -e /run/avahi-daemon/pid && echo yes || true").strip() == "yes"
    wanted = "board.local" if announced else BOARD
    view = _view(machine)
    if announced == (NOBODY_ANNOUNCES in said) or urlsplit(view["guest_link"]).hostname != wanted:
        finding.complaints.append(f"something announces a name: {announced}, but it said {said}")
    finding.facts.append(f"links by {wanted}")
    if announced:
        looked_up = json.loads(machine.run(f"ip netns exec phone {PHONE_PROGRAM} --look-up board.local"))
        _require(finding, looked_up == {"address": BOARD}, f"the phone looked up board.local and found {looked_up}")
    finding.add(*vet(machine, "tundish-engine.service", has_network=True))
    finding.add(*vet(machine, "tundish-guard.service", "/dev/gpiochip0"))


def _use(machine: Machine, finding: Finding) -> None:
    """Who gets in with what, and who does not."""
    first = _view(machine)
    start, guest, operator = _start(first), _token(first["guest_link"]), _token(first["operator_link"])
    pour = json.dumps({"recipe": "Small Fizz"})
    for what, words, wanted in (
        ("the page", (f"{start}/",), 200),
        ("status without a token", (f"{start}/v1/status",), 401),
        ("a guest's menu", (f"{start}/v1/access", "--token", guest), 200),
        ("a guest's pour", (f"{start}/v1/pours", "--token", guest, "--post", pour), 403),
        ("the operator's status", (f"{start}/v1/status", "--token", operator), 200),
        ("a name that is not ours", (f"http://other.local:{PORT}/v1/status",), 421),
        ("somebody from outside", (f"{start}/", "--from", OUTSIDE), None),
        ("the same at another service", (f"http://{BOARD}:{OTHER_PORT}/", "--from", OUTSIDE), 200),
    ):
        _expect(finding, what, _phone(machine, *words), wanted)
    invited = machine.run("tundish invite")
    _require(finding, first["guest_link"] in invited, f"invite does not print the guests' link: {invited}")
    renewed = machine.tundish("network", "renew")
    _require(finding, renewed["guest_link"] != first["guest_link"], "renew gave the same link")
    _expect(finding, "the operator's old link", _phone(machine, f"{start}/v1/status", "--token", operator), 401)
    fresh = _token(renewed["operator_link"])
    _expect(finding, "the operator's new link", _phone(machine, f"{start}/v1/status", "--token", fresh), 200)


def _encrypt(machine: Machine, finding: Finding) -> None:
    """With a certificate of root's alone: the phone trusts it and shakes hands; unencrypted it gets nothing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "7",
             "-subj", "/CN=board.local", "-addext", f"subjectAltName=DNS:board.local,IP:{BOARD}",
             "-keyout", folder / "board.key", "-out", folder / "board.crt"],
            check=True, capture_output=True,
        )  # fmt: skip
        for path in (CERTIFICATE, KEY):
            machine.board.put(folder / Path(path).name, Path(path).parent)
    machine.run(f"chmod 600 {KEY} && tundish network on --certificate {CERTIFICATE} --key {KEY}", timeout=240)
    view = _view(machine)
    _require(finding, view["is_encrypted"] and view["guest_link"].startswith("https:"), f"not encrypted: {view}")
    token = _token(view["guest_link"])
    address = f"{_start(view)}/v1/access"
    trusted = _phone(machine, address, "--token", token, "--certificate", CERTIFICATE)
    _expect(finding, "the guest over TLS", trusted, 200)
    _expect(finding, "a phone that does not know the certificate", _phone(machine, address, "--token", token), None)
    _expect(finding, "the guest without TLS", _phone(machine, address.replace("https", "http", 1)), None)
    finding.facts.append("TLS with a certificate of its own")


def _switch_off(machine: Machine, finding: Finding) -> None:
    machine.run("tundish network off", timeout=240)
    left = machine.run(f"ls {OPENED}; rm {CERTIFICATE} {KEY}; true").strip()
    _require(finding, not left, f"left behind: {left}")
    _require(finding, not _view(machine)["is_on"], "the network counts as open still")
    _expect(finding, "after network off", _phone(machine, f"http://{BOARD}:{PORT}/"), None)
    done = machine.board.run("tundish invite")
    _require(finding, done.rc == 1 and "tundish network on" in done.err, f"invite says {done.out}{done.err}")


def _phone(machine: Machine, *words: str) -> dict[str, Any]:
    """What a phone on the cable is answered: status, and what was said."""
    answer: dict[str, Any] = json.loads(machine.run(f"ip netns exec phone {PHONE_PROGRAM} {shlex.join(words)}"))
    return answer


def _view(machine: Machine) -> dict[str, Any]:
    return machine.expect(machine.tundish("network"))


def _start(view: dict[str, Any]) -> str:
    """Scheme, name and port of the links."""
    return str(view["guest_link"]).partition("/#")[0]


def _token(link: str) -> str:
    return link.partition("#token=")[2]


def _expect(finding: Finding, what: str, answer: dict[str, Any], status: int | None) -> None:
    _require(finding, answer["status"] == status, f"{what}: expected {status or 'no answer'}, got {answer}")


def _require(finding: Finding, is_so: bool, otherwise: str) -> None:
    if not is_so:
        finding.complaints.append(otherwise)
