"""Backup, upgrade and restore on a real systemd."""

import time

from tests.board.board_cases import Finding, begin_pour, judge
from tests.board.board_machine import RECORDS, SERVICES, Machine

COPY, DURING = f"{RECORDS}/copy.tar.gz", f"{RECORDS}/during.tar.gz"


def backed_up(machine: Machine) -> Finding:
    """A backup beside running services; refused in mid-pour, over another file, and restored under running services."""
    finding = Finding("backup")
    machine.begin()
    view = machine.expect(machine.tundish("backup", COPY))
    owner = machine.run(f"stat -c '%a %U' {COPY}").strip()
    finding.facts.append(f"{view['files']} files, {owner}")
    if owner != "600 root" or view["problems"]:
        finding.complaints.append(f"mode and owner {owner}, problems {view['problems']}")
    since_s = begin_pour(machine)
    machine.lift_glass()  # held, it stays under way for as long as a command takes here
    during = machine.board.run(f"tundish backup {DURING}")
    machine.expect(machine.tundish("stop"))
    machine.wait_until_ready()
    machine.allow(since_s, time.time())
    if during.rc != 1 or "an operation is under way" not in during.err:
        finding.complaints.append(f"a backup in mid-pour ended with {during.rc}: {during.out}{during.err}")
    for words, wanted in (("backup", "is not overwritten"), ("restore", "must not run while")):
        done = machine.board.run(f"tundish {words} {COPY}")
        if done.rc != 1 or wanted not in done.err:
            finding.complaints.append(f"{words} {COPY} ended with {done.rc}: {done.out}{done.err}")
    machine.run(f"rm {COPY}")
    return judge(machine, finding, must_be_driven_off=True)


def upgraded(machine: Machine) -> Finding:
    """An upgrade keeps a backup and everything known; put back, the backup is trusted about nothing that flows."""
    finding = Finding("upgrade and restore")
    machine.begin()
    known = [(line["line"], line["contents"]) for line in machine.status()["lines"]]
    machine.run("tundish upgrade --apply", timeout=600)
    after = [(line["line"], line["contents"]) for line in machine.wait_until_ready()["lines"]]
    if after != known:
        finding.complaints.append(f"before the upgrade the lines held {known}, after it {after}")
    (archive,) = machine.run(f"ls {RECORDS}/backups/before-upgrade-*").split()
    if machine.run(f"stat -c %a {archive}").strip() != "600":
        finding.complaints.append("others may read the backup")
    machine.run(f"systemctl stop {SERVICES} && tundish restore {archive} --apply", timeout=300)
    machine.run(f"systemctl start {SERVICES}")
    status = machine.wait_until_ready(limit_s=60)
    unknown = [line["line"] for line in status["lines"] if line["contents"] == "unknown"]
    if len(unknown) != len(status["lines"]):
        finding.complaints.append(f"after a restore every line should be unknown, and only {unknown} are")
    finding.facts = [f"lines unknown after the restore: {unknown}", f"fault: {status.get('fault')}"]
    judge(machine, finding, must_be_driven_off=True)
    machine.restore()
    return judge(machine, finding, must_be_driven_off=True)
