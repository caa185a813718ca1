"""What a running service is and may do, by the board's own kernel and systemd."""

import re

from tests.board.board_machine import Machine

EXPOSURE = 2.0  # the most that systemd may say of a service: 0 (sealed) to 10 (open)
OTHERS = (
    "/dev/gpiochip0",
    "/dev/mmcblk0",
    "/dev/kmsg",
)  # devices that root opens, and a service only where it is its own
SEALED = {"CapEff": "0000000000000000", "NoNewPrivs": "1", "Seccomp": "2"}  # proc_pid_status(5)


def vet(machine: Machine, service: str, *own_devices: str, has_network: bool = False) -> tuple[str, list[str]]:
    """A fact about the running service, and complaints where its sandbox is not what the unit promises."""
    pid = machine.run(f"systemctl show -P MainPID {service}").strip()
    status = dict(line.split(":", 1) for line in machine.run(f"cat /proc/{pid}/status").splitlines())
    networks = machine.run(f"readlink /proc/1/ns/net /proc/{pid}/ns/net").split()
    held = set(machine.run(f"readlink /proc/{pid}/fd/* | grep ^/dev/ || true").split()) - {"/dev/null"}
    exposure = _exposure(machine, service)
    looks = (
        ("verify says", machine.run(f"systemd-analyze verify {service} 2>&1 || true").strip(), ""),
        ("exposure is low", exposure is not None and exposure <= EXPOSURE, True),
        ("its user", machine.run(f"stat -c '%U:%G' /proc/{pid}").strip(), f"{service.partition('.')[0]}:tundish"),
        ("its rights", {name: status[name].strip() for name in SEALED}, SEALED),
        ("has the computer's network", len(set(networks)) == 1, has_network),
        ("devices that it holds open", held, set(own_devices)),
        ("devices that it may open", _may_open(machine, service, own_devices), set(own_devices)),
    )
    complaints = [f"{service}: {what}: {found}, not {wanted}" for what, found, wanted in looks if found != wanted]
    memory = int(status["VmRSS"].split()[0]) / 1024
    return f"{service}: exposure {exposure}, devices {sorted(held) or 'none'}, {memory:.1f} MiB", complaints


def _exposure(machine: Machine, service: str) -> float | None:
    told = machine.run(f"systemd-analyze security --no-pager {service} || true").strip().splitlines()
    found = re.search(r"exposure level for \S+: ([0-9.]+)", told[-1] if told else "")
    return float(found[1]) if found else None


def _may_open(machine: Machine, service: str, own_devices: tuple[str, ...]) -> set[str]:
    """What root can open from within the service's control group, of devices that root can open elsewhere."""
    devices = {*own_devices, *OTHERS}
    attempts = f"for one in {' '.join(devices)}; do (: < $one) 2> /dev/null && echo $one; done; true"
    if set(machine.run(attempts).split()) != devices:
        raise RuntimeError(f"root cannot open all of {devices}")
    inside = f"echo $$ > /sys/fs/cgroup/system.slice/{service}/cgroup.procs; {attempts}"
    return set(machine.run(f"sh -c '{inside}'").split())
