"""The folders of the sockets, as systemd makes them at boot: who may connect, and who may listen."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from controller.cli.places import ENGINE, GUARD, SCALE, SERVICE_RUN_DIR
from controller.process import listening_socket
from tests.systemd.test_systemd_units import ROOT, UNITS, unit

IDS = {"root": 0, "tundish-guard": 61_001, "tundish-engine": 61_002, "tundish-scale": 61_004}
GROUP = 61_000
SOCKETS = {"tundish-guard": GUARD, "tundish-engine": ENGINE}

# A member of the group, who tries all that could put another in a service's place, and then connects.
MEMBER_S_ATTEMPTS = """
import os, socket, sys
os.chdir(sys.argv[1]); os.setgroups([61000]); os.setgid(61003); os.setuid(61003)
path = sys.argv[2]
folder = os.path.dirname(path)
def listen(at):
    socket.socket(socket.AF_UNIX).bind(at)
attempts = [
    lambda: listen(path), lambda: listen(path + "2"), lambda: listen("own.sock"), lambda: os.unlink(path),
    lambda: os.rename(path, "gone"), lambda: os.rename(folder, "gone"), lambda: os.mkdir("other"),
    lambda: os.chmod(folder, 0o777), lambda: os.symlink("/tmp", folder + "/link"),
]
for attempt in attempts:
    try: attempt(); print("done")
    except PermissionError: print("forbidden")
    except OSError as error: print(error.strerror)
try: socket.socket(socket.AF_UNIX).connect(path); print("connected")
except OSError as error: print(error.strerror)
"""


def folders():
    """Path below the run folder -> mode and owner, by the file that systemd-tmpfiles reads (tmpfiles.d(5))."""
    rows = [line.split() for line in (ROOT / "systemd/tundish.tmpfiles").read_text().splitlines() if line[0] != "#"]
    assert all((kind, group) == ("d", "tundish") for kind, _, _, _, group, *_ in rows)
    return {Path(path).relative_to(SERVICE_RUN_DIR): (int(mode, 8), owner) for _, path, mode, owner, *_ in rows}


@pytest.fixture
def run_dir():
    """The folders as they are after the boot, below one that everyone may enter."""
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        Path(name).chmod(0o755)
        for below, (mode, owner) in folders().items():
            folder = Path(name) / "run" / below
            folder.mkdir()
            os.chown(folder, IDS[owner], GROUP)
            folder.chmod(mode)
        yield Path(name) / "run"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize("service", SOCKETS)
def test_members_of_the_group_connect_and_cannot_listen_in_a_service_s_place(run_dir, service):
    *before, connecting = attempts(run_dir, service)
    assert (set(before), connecting) == ({"forbidden", "No such file or directory"}, "No such file or directory")
    os.setegid(GROUP)
    os.seteuid(IDS[service])
    try:
        with listening_socket(run_dir / SOCKETS[service], service):
            os.seteuid(0)
            *beside, connecting = attempts(run_dir, service)
    finally:
        os.seteuid(0)
        os.setegid(0)
    assert (set(beside), connecting) == ({"forbidden", "Address already in use"}, "connected")


def attempts(run_dir, service):
    words = [sys.executable, "-c", MEMBER_S_ATTEMPTS, str(run_dir), SOCKETS[service]]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()


@pytest.mark.parametrize("name", UNITS)
def test_a_service_may_write_its_own_folder_and_not_the_other_s(name):
    service = unit(name)["Service"]
    folder = (SERVICE_RUN_DIR / (SOCKETS | {"tundish-scale": SCALE})[service["User"][0]]).parent
    assert service["ReadWritePaths"] == [str(folder)]
    mode, owner = folders()[folder.relative_to(SERVICE_RUN_DIR)]
    assert owner == service["User"][0]
    assert not mode & 0o022


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give folders to others")
@pytest.mark.skipif(shutil.which("systemd-tmpfiles") is None, reason="systemd-tmpfiles is not installed")
def test_systemd_makes_them_so_also_where_an_earlier_version_s_folder_is(tmp_path):
    (tmp_path / "etc/tmpfiles.d").mkdir(parents=True)
    shutil.copy(ROOT / "systemd/tundish.tmpfiles", tmp_path / "etc/tmpfiles.d/tundish.conf")
    users = "".join(f"{name}:x:{number}:{GROUP if number else 0}::/:/bin/sh\n" for name, number in IDS.items())
    (tmp_path / "etc/passwd").write_text(users)
    (tmp_path / "etc/group").write_text(f"root:x:0:\ntundish:x:{GROUP}:\n")
    (tmp_path / "run/tundish").mkdir(parents=True)
    (tmp_path / "run/tundish").chmod(0o3770)
    tmp_path.chmod(0o755)
    subprocess.run(["systemd-tmpfiles", "--create", f"--root={tmp_path}", "tundish.conf"], check=True)
    for below, (mode, owner) in folders().items():
        found = (tmp_path / "run/tundish" / below).stat()
        assert (found.st_mode & 0o7777, found.st_uid, found.st_gid) == (mode, IDS[owner], GROUP)
