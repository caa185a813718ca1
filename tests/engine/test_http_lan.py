"""The engine's own process on the local network: it listens there only when told to, and tells no token."""

import http.client
import os
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from tests.engine.lan_parts import GUEST, OPERATOR

ROOT = Path(__file__).parents[2]


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def inet_sockets(pid):
    """Sockets of the process that are no Unix sockets, by the kernel's own table."""
    found = {link.readlink().name for link in Path(f"/proc/{pid}/fd").iterdir() if link.is_symlink()}
    rows = [
        row.split()
        for name in ("tcp", "tcp6", "udp", "udp6")
        for row in Path(f"/proc/{pid}/net/{name}").read_text().splitlines()[1:]
    ]
    return [row[1] for row in rows if f"socket:[{row[9]}]" in found]


def engine_process(folder, *words):
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "controller.cli", "engine"),
            *("--profile", "hardware_profiles/bench_six_line.yaml", "--book", "demo/orchard_fete.yaml"),
            *("--run-dir", str(folder), "--state-dir", str(folder / "state"), *words),
        ],
        cwd=ROOT,
        env=os.environ | {"NOTIFY_SOCKET": str(folder / "notify")},
        stderr=subprocess.PIPE,
    )


@pytest.mark.parametrize("is_on", [False, True])
def test_the_process_listens_on_the_network_only_when_told_to(tokens_file, is_on):
    with tempfile.TemporaryDirectory(prefix="tun") as name, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(f"{name}/notify")
        systemd.settimeout(20)
        port = free_port()
        words = ("--lan", f"127.0.0.1:{port}", "--tokens", str(tokens_file)) if is_on else ()
        left = Path(name, "state/tokens")  # of the time when the network was on
        left.parent.mkdir(exist_ok=True)
        left.write_text(f"operator {OPERATOR}\n")
        process = engine_process(Path(name), *words)
        try:
            assert systemd.recv(100) == b"READY=1"
            assert len(inet_sockets(process.pid)) == int(is_on)
            assert left.exists() == is_on
            if is_on:
                assert lan_status(port, {}) == 401
                assert lan_status(port, {"Authorization": f"Bearer {GUEST}"}) == 200
            process.send_signal(signal.SIGTERM)
            _, log = process.communicate(timeout=10)
        finally:
            process.kill()
            process.wait()
    assert process.returncode == 0, log.decode()
    assert not any(token in log.decode() for token in (OPERATOR, GUEST))


def lan_status(port, headers):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", "/v1/menu", headers=headers)
    status = connection.getresponse().status
    connection.close()
    return status
