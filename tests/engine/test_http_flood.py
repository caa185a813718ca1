"""The engine's process while others on the network hold every connection that they can and ask all they can.

Addresses are the loopback's own; a whole /64 needs a network of the test's own, which root alone can make.
"""

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import msgspec
import pytest

from controller.cli.places import ENGINE, GUARD
from controller.engine.http.shares import PARTY_PER_S
from tests.engine.lan_parts import GUEST, OPERATOR
from tests.engine.played_guard import report

ROOT = Path(__file__).parents[2]
FLOOD = Path(__file__).parent / "flood.py"
ROUNDS = 5  # of four requests, while the flood lasts
DESCRIPTORS = 1024  # what systemd grants a service (systemd.exec(5), LimitNOFILE=)
LOG_BYTES = 64 * 1024
SOON_S = 10.0
OTHERS = [f"127.0.0.{number}" for number in range(2, 18)]  # sixteen
ONE_64 = [f"fd77:1:2:3::{number:x}:1" for number in range(1, 17)]
NETWORK = "ip link set lo up; for one in 1 2; do ip -6 route add local fd77:$one::/32 dev lo; done; exec sleep 60"


class PlayedGuard:
    """Accepts the engine, says that all is idle, and counts the stops."""

    def __init__(self, folder):
        (folder / GUARD).parent.mkdir()
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(folder / GUARD))
        self._listener.listen()
        self.stops = 0
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self):
        with contextlib.suppress(OSError):
            engine, _ = self._listener.accept()
            with engine, engine.makefile("rb") as lines:
                for line in lines:
                    kind = json.loads(line)["type"]
                    self.stops += kind == "stop"
                    if kind in {"hello", "ask_report"}:
                        engine.sendall(msgspec.json.encode(report()) + b"\n")

    def close(self):
        self._listener.close()
        self._thread.join()


class Machine:
    """The engine's process with as many descriptors as a service has, perhaps in a network of its own."""

    def __init__(self, folder, tokens, host, inside):
        self.folder, self.host, self.inside = folder, host, inside
        self.port = 18_080 if inside else free_port()
        self.guard = PlayedGuard(folder)
        self.log = folder / "engine.log"
        words = [*inside, "sh", "-c", f'ulimit -n {DESCRIPTORS}; exec "$@"', "sh"]
        words += [sys.executable, "-m", "controller.cli", "engine", "--run-dir", str(folder)]
        words += ["--profile", "hardware_profiles/bench_six_line.yaml", "--book", "demo/orchard_fete.yaml"]
        words += ["--state-dir", str(folder / "state"), "--tokens", str(tokens)]
        words += ["--lan", f"[{host}]:{self.port}" if ":" in host else f"{host}:{self.port}", "--lan-name", "machine"]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(words, cwd=ROOT, stderr=log)
        deadline_s = time.monotonic() + 30
        while not self.is_ready():
            assert time.monotonic() < deadline_s, self.log.read_text()
            time.sleep(0.05)

    def is_ready(self):
        with contextlib.suppress(OSError):
            return self.local("GET", "/healthz") == 200
        return False

    def flood(self, sources, tries_per_s, token):
        words = [*self.inside, sys.executable, str(FLOOD), self.host, self.port, tries_per_s, token, *sources]
        return subprocess.Popen(list(map(str, words)), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def local(self, method, path):
        """Ask over the Unix socket."""
        with socket.socket(socket.AF_UNIX) as sock:
            sock.settimeout(SOON_S)
            sock.connect(str(self.folder / ENGINE))
            connection = http.client.HTTPConnection("tundish")
            connection.sock = sock
            connection.request(method, path)
            return connection.getresponse().status

    def remote(self, method, path, source, token):
        """Ask over the network, from a source address."""
        code = (
            "import http.client, sys; host, port, source, method, path, token = sys.argv[1:]\n"
            f"one = http.client.HTTPConnection(host, int(port), timeout={SOON_S}, source_address=(source, 0))\n"
            "one.request(method, path, headers={'Host': f'machine:{port}', 'Authorization': f'Bearer {token}'})\n"
            "print(one.getresponse().status)"
        )
        words = [*self.inside, sys.executable, "-c", code, self.host, str(self.port), source, method, path, token]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        return int(done.stdout) if done.returncode == 0 else done.stderr.splitlines()[-1]

    def close(self):
        self.process.send_signal(signal.SIGTERM)
        try:
            assert self.process.wait(SOON_S) == 0
        finally:
            self.process.kill()
            self.process.wait()
            self.guard.close()


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def machine(tokens, host, inside=()):
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        one = Machine(Path(name), tokens, host, inside)
        try:
            yield one
        finally:
            one.close()


def attacked(one, sources, operator, tries_per_s=400, token="x" * 30):
    """Stop and status over the network and locally while a flood lasts; what the flood has seen."""
    with one.flood(sources, tries_per_s, token) as flood:
        assert flood.stdout.readline() == "under way\n"
        for _ in range(ROUNDS):
            assert one.remote("POST", "/v1/stop", operator, OPERATOR) == 204
            assert one.remote("GET", "/v1/access", operator, GUEST) == 200
            assert one.local("POST", "/v1/stop") == 204
            assert one.local("GET", "/v1/status") == 200
        assert flood.poll() is None
        return json.loads(flood.communicate()[0])


def test_sixteen_addresses_that_hold_and_ask_all_they_can_keep_nobody_from_stopping(tokens_file):
    with machine(tokens_file, "127.0.0.1") as one:
        seen = attacked(one, OTHERS, "127.0.0.100")
        assert seen["opened"] > 24  # more than one address may hold
        assert one.log.stat().st_size < LOG_BYTES
        assert "left_out" in one.log.read_text() or one.log.read_text().count("lan_turned_away") <= 20
    assert one.guard.stops == 2 * ROUNDS


def test_a_party_at_one_address_is_not_kept_out_by_a_stranger_there(tokens_file):
    """Whoever has a token gets through beside the strangers at the same address, as behind one router."""
    with machine(tokens_file, "127.0.0.1") as one:
        assert one.remote("GET", "/v1/access", OTHERS[0], GUEST) == 200
        attacked(one, OTHERS[:1], OTHERS[0], PARTY_PER_S / 2)


def test_guests_at_one_address_that_ask_all_they_can_starve_neither_each_other_nor_the_operator(tokens_file):
    with machine(tokens_file, "127.0.0.1") as one:
        assert one.remote("GET", "/v1/access", OTHERS[0], GUEST) == 200
        attacked(one, OTHERS[:1], OTHERS[0], PARTY_PER_S / 2, GUEST)


@pytest.fixture
def network():
    """The words that run a command in a network of the test's own, where two /64 are the loopback's."""
    keeper = subprocess.Popen(["unshare", "--net", "sh", "-c", NETWORK], stderr=subprocess.PIPE)
    time.sleep(0.5)
    if os.geteuid() != 0 or keeper.poll() is not None:
        pytest.skip(f"NO NETWORK OF ITS OWN can be made here: {keeper.communicate()[1].decode().strip()}")
    yield "nsenter", f"--net=/proc/{keeper.pid}/ns/net"
    keeper.kill()
    keeper.communicate()


def test_an_ipv6_64_prefix_counts_as_one_address(tokens_file, network):
    with machine(tokens_file, "fd77:2::1", network) as one:
        seen = attacked(one, ONE_64, "::1")
        assert seen["opened"] > 24  # more than one address may hold
        assert one.log.stat().st_size < LOG_BYTES
