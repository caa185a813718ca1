"""The wheel, the installation on the board as a stranger would do it, and what it left, kept for later boots.

The board's memory survives neither plug nor reset: what the installation changed is taken off as a folder, which is
laid over the root file system at every later boot, as a card would hold it. Records lie on an emulated SD card.
"""

import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
HERE = Path(__file__).resolve().parent
CARD_BYTES = 128 << 20
PLATFORMS = ("manylinux_2_28_aarch64", "manylinux_2_17_aarch64", "manylinux2014_aarch64")
PROFILES = {"low": "six_line", "high": "four_line_active_high"}  # by the relay board's active level

MOUNT = """[Unit]
Description=Card with Tundish's records
DefaultDependencies=no
Before=local-fs.target umount.target
Conflicts=umount.target

[Mount]
What=/dev/mmcblk0
Where=/var/lib/tundish
Type=ext4

[Install]
RequiredBy=local-fs.target
"""

# The emulated card shows up late when this computer is busy; a real one does not, so that systemd's 90 s would do.
PATIENT = "[Manager]\nDefaultDeviceTimeoutSec=15min\n"

# What the README's chapter on installing says; the wheels lie on the board already, as it has no network.
INSTALL = [
    "python3 -m venv /opt/tundish",
    '/opt/tundish/bin/pip install --quiet "$(ls /opt/wheels/tundish-*.whl)[gpio,scale]"',
    "/opt/tundish/bin/tundish install --profile {profile} --book /opt/board-test/book.yaml",
    "/opt/tundish/bin/tundish install --profile {profile} --book /opt/board-test/book.yaml --apply",
]
REMOVE = "/opt/tundish/bin/tundish uninstall --apply"


def build_wheel(folder: Path) -> Path:
    """The wheel of this working copy, built from a copy of it so that the tree stays clean."""
    copy = folder / "source"
    shutil.copytree(
        ROOT, copy, ignore=shutil.ignore_patterns(".*", "*.egg-info", "__pycache__", "build", "dist", "out")
    )
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", folder / "wheel", copy],
        check=True,
    )
    return next((folder / "wheel").glob("tundish-*.whl"))


def first_overlay(folder: Path, wheel: Path, python: str) -> Path:
    """What is laid over the bare board for the installation: every wheel that pip will ask for, book, card's mount.

    python: the board's version of Python.
    """
    overlay = folder / "bare"
    for name in ("book.yaml", "on_board.py"):
        place = overlay / "opt/board-test" / name
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(HERE / name, place)
    target = ["--python-version", python, "--implementation", "cp"]
    target += [word for platform in PLATFORMS for word in ("--platform", platform)]
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--only-binary=:all:", *target]
    subprocess.run([*command, "--dest", overlay / "opt/wheels", f"{wheel}[gpio,scale]"], check=True)
    units = overlay / "etc/systemd/system"
    (units / "local-fs.target.requires").mkdir(parents=True)
    (units / "var-lib-tundish.mount").write_text(MOUNT)
    manager = overlay / "etc/systemd/system.conf.d"
    manager.mkdir(parents=True)
    (manager / "patient.conf").write_text(PATIENT)
    (units / "local-fs.target.requires/var-lib-tundish.mount").symlink_to("../var-lib-tundish.mount")
    return overlay


def board_python(images: Path) -> str:
    """The version of Python, such as 3.13, in the root file system that the rig keeps among its images."""
    return next((images / "root/usr/bin").glob("python3.[0-9]*")).name.removeprefix("python")


def new_card(path: Path) -> Path:
    """An empty card, ext4 as on the vendor's image."""
    with path.open("wb") as file:
        file.truncate(CARD_BYTES)
    subprocess.run(["mkfs.ext4", "-q", "-F", path], check=True)
    return path


def install(board, active: str) -> list[str]:
    """Install on the running board; what the commands printed. Raises RuntimeError with what went wrong."""
    run(board, "touch /run/before-install; sleep 1.1")
    words = [line.format(profile=PROFILES[active]) for line in INSTALL]
    if run(board, "test -e /opt/tundish/bin/tundish && echo there || true").strip():
        words = words[-1:]
    return [run(board, line, timeout=900) for line in words]


def take_off(board, bare: Path, card: Path, overlay: Path) -> Path:
    """What the installation changed on the board, over what was laid there before, as an overlay for later boots.

    It travels on the card: the serial line takes six seconds a megabyte.
    """
    run(
        board,
        'cd / && find . -xdev -newerct "$(stat -c %y /run/before-install)" ! -type d'
        " ! -path './var/log/*' ! -path './var/lib/systemd/*' ! -path './root/*' ! -path './tmp/*' ! -path './run/*'"
        " -print0 > /run/changed && tar --null -T /run/changed -cf /var/lib/tundish/changed.tar && sync",
        timeout=300,
    )
    board.power_cut()
    archive = overlay.with_suffix(".tar")
    subprocess.run(["e2fsck", "-p", card], check=False, capture_output=True)  # replays the card's own journal
    subprocess.run(["debugfs", "-R", f"dump /changed.tar {archive}", card], check=True, capture_output=True)
    shutil.copytree(bare, overlay, symlinks=True)
    with tarfile.open(archive) as packed:
        packed.extractall(overlay, filter="fully_trusted")
    return overlay


def bring_modules(board, images: Path, *names: str) -> None:
    """Copy modules of the board's own kernel to the board, with those that they need: the rig brings only a few."""
    tree = next((images / "kernel/lib/modules").iterdir())
    needs = dict(line.split(":", 1) for line in (tree / "modules.dep").read_text().splitlines())
    paths = {Path(path).name.partition(".")[0]: path for path in needs}
    with tempfile.TemporaryDirectory() as name:
        for path in {one for wanted in names for one in (paths[wanted], *needs[paths[wanted]].split())}:
            (Path(name) / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(tree / path, Path(name) / path)
        board.put(Path(name) / "kernel", f"/usr/lib/modules/{tree.name}")
    run(board, f"depmod && modprobe -a {' '.join(names)}")


def run(board, command: str, timeout: float = 120) -> str:
    """What a command on the board printed; RuntimeError when it failed."""
    done = board.run(command, timeout=timeout)
    if done.rc:
        raise RuntimeError(f"on the board: {command}: exit code {done.rc}\n{done.out}{done.err}")
    printed: str = done.out
    return printed
