"""Which steps an installation or a removal takes: pure, from the choice and the present state."""

from pathlib import Path

from controller.cli.install.facts import InstalledSystem, Shipped
from controller.cli.install.steps import KeepFile, MakeFolder, MakeLink, Remove, RunCommand, Step, WriteFile
from controller.errors import Refused
from controller.model.scale import Scale

GUARD, ENGINE = "tundish-guard.service", "tundish-engine.service"
SERVICES = (GUARD, ENGINE)
SCALE = "tundish-scale.service"  # where the profile has a scale
SHIPPED_PROGRAMS = "/opt/tundish/bin/"  # as the unit files have it

CONFIG = Path("/etc/tundish")
PROFILE, BOOK = CONFIG / "profile.yaml", CONFIG / "book.yaml"
STATE = Path("/var/lib/tundish")
COMMAND = Path("/usr/local/bin/tundish")
UNITS = Path("/etc/systemd/system")
BACK_OFF_SYSTEMD = 254  # the first version that can wait longer after each failed start

USERS = ("tundish-guard", "tundish-engine", "tundish-scale")
GROUP = "tundish"

# Shipped file -> where it goes, and why.
SYSTEM_FILES: dict[str, tuple[Path, str]] = {
    "tundish.sysusers": (Path("/etc/sysusers.d/tundish.conf"), "guard and engine run as users of their own"),
    "tundish.tmpfiles": (Path("/etc/tmpfiles.d/tundish.conf"), "the folders of the sockets are made at every boot"),
    "tundish-gpio.rules": (Path("/etc/udev/rules.d/60-tundish-gpio.rules"), "the guard's user may use the GPIO chips"),
    GUARD: (UNITS / GUARD, "the guard starts at boot and is watched"),
    ENGINE: (UNITS / ENGINE, "the engine starts at boot and is watched"),
}
SCALE_FILES: dict[str, tuple[Path, str]] = {
    "tundish-scale.rules": (Path("/etc/udev/rules.d/60-tundish-scale.rules"), "the scale's user may use the I2C bus"),
    "tundish-scale.modules": (Path("/etc/modules-load.d/tundish-scale.conf"), "programs may use I2C from the boot on"),
    SCALE: (UNITS / SCALE, "the scale is read from the boot on"),
}
SHIPPED_BUS = "/dev/i2c-1"  # as the unit file has it
BACK_OFF = "tundish-back-off.conf"
LAN = UNITS / f"{ENGINE}.d" / "lan.conf"  # `tundish network on` writes it
COMPLETIONS: dict[str, Path] = {
    "bash": Path("/usr/local/share/bash-completion/completions/tundish"),
    "zsh": Path("/usr/local/share/zsh/site-functions/_tundish"),
    "fish": Path("/etc/fish/completions/tundish.fish"),
}


def paths() -> list[Path]:
    """Every path that an installation may write or keep."""
    return [
        CONFIG,
        PROFILE,
        BOOK,
        COMMAND,
        *(path for path, _ in (SYSTEM_FILES | SCALE_FILES).values()),
        *map(back_off_path, (*SERVICES, SCALE)),
        LAN,
        *COMPLETIONS.values(),
    ]


def back_off_path(service: str) -> Path:
    """Where a service's back-off lies."""
    return UNITS / f"{service}.d" / "back-off.conf"


def plan_install(
    *,
    machine: InstalledSystem,
    shipped: Shipped,
    program: Path,
    profile: str,
    book: str,
    root: Path,
    scale: Scale | None = None,
) -> tuple[Step, ...]:
    """The steps of an installation, in order. `profile` and `book` are the texts wanted, `scale` is
    the one of the profile in force.

    Raises Refused when this machine cannot be installed on; nothing is changed by planning.
    """
    _refuse_unfit(machine, program, root)
    steps = [
        Step(act=MakeFolder(path=CONFIG), why="profile and book live there", is_done=CONFIG in machine.folders),
        _configuration(machine, PROFILE, profile, "what the machine is and what it may never exceed"),
        _configuration(machine, BOOK, book, "liquids, glasses and recipes"),
        Step(
            act=MakeLink(path=COMMAND, target=program),
            why="people find the command",
            is_done=program == COMMAND or machine.links.get(COMMAND) == program,
        ),
    ]
    services = SERVICES if scale is None else (*SERVICES, SCALE)
    for name, (path, why) in (SYSTEM_FILES if scale is None else SYSTEM_FILES | SCALE_FILES).items():
        text = shipped.units[name].replace(SHIPPED_PROGRAMS, f"{program.parent}/")
        if scale is not None:
            text = text.replace(SHIPPED_BUS, f"/dev/i2c-{scale.bus}")
        steps.append(_file(machine, path, text, why))
    if machine.systemd is not None and machine.systemd >= BACK_OFF_SYSTEMD:
        why = f"systemd {machine.systemd} can wait longer after each failed start"
        steps += [_file(machine, back_off_path(one), shipped.units[BACK_OFF], why) for one in services]
    for shell, path in COMPLETIONS.items():
        if shell in shipped.completions:
            steps.append(_file(machine, path, shipped.completions[shell], f"{shell} completes commands and options"))
    steps += _for_scale(machine, scale, root)
    return (*steps, *(Step(act=RunCommand(words=words), why=why) for words, why in _commands(root, services)))


def _for_scale(machine: InstalledSystem, scale: Scale | None, root: Path) -> list[Step]:
    """What a scale needs beside its unit; without one, what takes the unit of an earlier one away."""
    if scale is None:
        return list(_without_scale(machine, root)) if UNITS / SCALE in machine.texts else []
    if scale.converter != "i2c" or root != Path("/"):
        return []
    load = RunCommand(words=("modprobe", "i2c-dev"), may_fail=True)  # where the kernel has it built in
    return [Step(act=load, why="programs may use I2C now")]


def plan_upgrade(
    *,
    machine: InstalledSystem,
    shipped: Shipped,
    program: Path,
    has_records: bool,
    stamp: str,
    scale: Scale | None = None,
) -> tuple[Step, ...]:
    """The steps of an upgrade: stop, keep a backup that this program can take over, then as an installation."""
    install = plan_install(
        machine=machine,
        shipped=shipped,
        program=program,
        profile=machine.texts[PROFILE],
        book=machine.texts[BOOK],
        root=Path("/"),
        scale=scale,
    )
    if not has_records:
        return install
    archive = STATE / "backups" / f"before-upgrade-{stamp}.tar.gz"
    stop = RunCommand(words=("systemctl", "stop", *reversed(SERVICES)))
    keep = RunCommand(words=(str(program), "backup", str(archive)))
    return (
        Step(act=stop, why="nothing moves while records are taken over"),
        Step(act=keep, why="all can be put back with tundish restore; records that this version cannot take stop here"),
        *install,
    )


def plan_uninstall(*, machine: InstalledSystem, root: Path, purge: bool) -> tuple[Step, ...]:
    """The steps of a removal, in order: profile, book and records stay unless `purge`."""
    steps = []
    stop = ("systemctl", "disable", "--now") if machine.is_running else ("systemctl", f"--root={root}", "disable")
    if any(UNITS / one in machine.texts for one in SERVICES):
        steps.append(Step(act=RunCommand(words=(*stop, ENGINE, GUARD)), why="every pump is switched off and stays off"))
    if UNITS / SCALE in machine.texts:
        steps.append(Step(act=RunCommand(words=(*stop, SCALE)), why="nobody reads the scale any more"))
    system_files = [path for path, _ in (SYSTEM_FILES | SCALE_FILES).values()]
    system_files += [back_off_path(one) for one in (*SERVICES, SCALE)]
    for path in [*system_files, *COMPLETIONS.values()]:
        steps.append(Step(act=Remove(path=path), why="the installation wrote it", is_done=path not in machine.texts))
    if LAN in machine.texts:
        steps.append(Step(act=Remove(path=LAN), why="another installation is to begin with the local network closed"))
    steps.append(Step(act=Remove(path=COMMAND), why="the installation made it", is_done=COMMAND not in machine.links))
    if machine.is_running:
        steps.append(Step(act=RunCommand(words=("systemctl", "daemon-reload")), why="systemd forgets the units"))
    if purge:
        steps += [
            Step(act=Remove(path=CONFIG), why="profile and book, as asked by --purge"),
            Step(act=Remove(path=STATE), why="calibrations, stock and history, as asked by --purge"),
            *(
                Step(act=RunCommand(words=words, may_fail=True), why="as asked by --purge")
                for words in _account_removals(root)
            ),
        ]
    return tuple(steps)


def _without_scale(machine: InstalledSystem, root: Path) -> list[Step]:
    """Take away what an earlier profile, which had a scale, wanted."""
    stop = ("systemctl", "disable", "--now") if root == Path("/") else ("systemctl", f"--root={root}", "disable")
    gone = [path for path, _ in SCALE_FILES.values()] + [back_off_path(SCALE)]
    why = "the profile has no scale any more"
    return [
        Step(act=RunCommand(words=(*stop, SCALE)), why=why),
        *(Step(act=Remove(path=path), why=why) for path in gone if path in machine.texts),
    ]


def _refuse_unfit(machine: InstalledSystem, program: Path, root: Path) -> None:
    if machine.systemd is None or (root == Path("/") and not machine.is_running):
        raise Refused(
            rule="install_systemd",
            reason=f"there is no systemd {'running here' if root == Path('/') else f'in {root}'}, so nothing would "
            "start guard and engine at boot.",
            remedy="Run them with tundish up, or use a system with systemd, such as Debian.",
        )
    if Path("/home") in program.parents or Path("/root") in program.parents:
        raise Refused(
            rule="install_place",
            reason=f"the program lies at {program}, and the services' sandbox hides everyone's home.",
            remedy="Install it for all: python3 -m venv /opt/tundish, then /opt/tundish/bin/pip install the wheel.",
        )


def _configuration(machine: InstalledSystem, path: Path, chosen: str, why: str) -> Step:
    """Write the chosen file where there is none; an existing one is never overwritten."""
    there = machine.texts.get(path)
    if there is None:
        return Step(act=WriteFile(path=path, content=chosen), why=why)
    if there != chosen:
        why = "it differs from the one chosen and may be yours; to take the chosen one, move it away first"
    return Step(act=KeepFile(path=path), why=why, is_done=True)


def _file(machine: InstalledSystem, path: Path, text: str, why: str) -> Step:
    return Step(act=WriteFile(path=path, content=text), why=why, is_done=machine.texts.get(path) == text)


def _commands(root: Path, services: tuple[str, ...]) -> list[tuple[tuple[str, ...], str]]:
    """The commands at the end. In an image's folder only those that need no running machine."""
    if root != Path("/"):
        return [
            (("systemd-sysusers", f"--root={root}", "tundish.conf"), "make users and groups"),
            (("systemctl", f"--root={root}", "enable", *services), "start at boot"),
        ]
    return [
        (("systemd-sysusers", "tundish.conf"), "make users and groups"),
        (("systemd-tmpfiles", "--create", "tundish.conf"), "make the folders of the sockets now"),
        (("udevadm", "control", "--reload"), "know the new device rule"),
        (("udevadm", "trigger", "--subsystem-match=gpio", "--subsystem-match=i2c-dev", "--settle"), "apply it now"),
        (("systemctl", "daemon-reload"), "know the new units"),
        (("systemctl", "enable", *services), "start at boot"),
        (("systemctl", "restart", *services), "start now; a drink under way is stopped"),
    ]


def _account_removals(root: Path) -> list[tuple[str, ...]]:
    at = () if root == Path("/") else ("--prefix", str(root))
    return [*(("userdel", *at, user) for user in USERS), ("groupdel", *at, GROUP)]
