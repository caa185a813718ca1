"""The bench as a process of its own: clients that come, ask, and die half-way."""

import json
import os
import signal
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.bench.client import BenchClient
from controller.bench.faults import InjectedFault
from controller.bench.load_cell import Conversion
from controller.bench.process import MOST_CLIENTS
from controller.bench.trace import ContactEntry, LevelEntry, read_trace
from controller.cli.run.bench import bench as bench_commands
from controller.errors import BoardError, Refused, Unreachable
from controller.hal.table import open_board
from controller.scale.bench import BenchConverter
from tests.bench import fete_machine as fete

STARTED_S = 15.0

BENCH = """
import sys
from pathlib import Path
sys.path.insert(0, {root!r})
from tests.bench import fete_machine
from controller.bench.process import run
run(fete_machine.weighing_profile(), fete_machine.book(), Path({socket!r}), seed=4, trace_path=Path({trace!r}),
    memory_path=Path({memory!r}), persist={persist}, glass="tumbler", ready=lambda: print("ready", flush=True))
"""


def bench_code(folder: Path, *, persist: bool = True) -> str:
    return BENCH.format(
        root=str(Path(__file__).parents[2]),
        socket=str(folder / "bench.sock"),
        trace=str(folder / "trace.jsonl"),
        memory=str(folder / "memory.json"),
        persist=persist,
    )


class Bench:
    def __init__(self, folder: Path, *, persist: bool = True) -> None:
        self.socket, self.trace = folder / "bench.sock", folder / "trace.jsonl"
        code = bench_code(folder, persist=persist)
        self.process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None and self.process.stdout.readline() == "ready\n"

    def stop(self) -> int:
        self.process.terminate()
        self.process.communicate(timeout=STARTED_S)
        return self.process.returncode


@pytest.fixture
def bench(tmp_path):
    one = Bench(tmp_path)
    yield one
    one.stop()


@pytest.fixture
def desk(bench):
    with BenchClient(bench.socket) as client:
        yield client


def until(is_reached, within_s: float = 5.0) -> None:
    """Wait for what another process is about to do."""
    end_s = time.monotonic() + within_s
    while not is_reached():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.01)


def test_a_board_over_the_socket_pours_in_real_time(bench, desk):
    board = open_board(fete.profile(), bench_socket=bench.socket)
    desk.tare()
    board.switch(6, on=True)
    assert board.read() == {"stop": True, "glass": True, "drip tray": False, "level 2": False}
    until(lambda: desk.report().lines[5].speed_fraction > 0.5)
    board.close()
    until(lambda: not desk.moves())
    drawn_ml = 2000.0 - desk.container_ml(6)
    assert 0 < drawn_ml < 10
    closed, opened = [one for one in read_trace(bench.trace) if isinstance(one, ContactEntry)]
    assert (closed.closed, opened.closed) == (True, False)


def test_the_scales_driver_takes_conversions_as_they_come_and_hears_silence(bench, desk):
    scale = fete.weighing_profile().scale
    assert scale is not None
    converter = BenchConverter(str(bench.socket), scale.readings_per_s)
    converter.start()
    begun_s = time.monotonic()
    empty = [counts for _ in range(20) if (counts := converter.read()) is not None]
    assert len(empty) == 20
    assert time.monotonic() - begun_s >= 18 / 80  # each waits for the next; the first may be a period old
    assert len(set(empty)) > 15  # every one with noise of its own
    desk.place_mass(500.0)
    until(lambda: (converter.read() or 0) > max(empty))
    silent = InjectedFault(kind="scale silent")
    desk.inject(silent)
    converter.read()
    assert converter.read() is None
    desk.clear(silent)
    assert converter.read() is not None
    converter.close()


def taken_for(seconds: float, desk: BenchClient, after: int) -> list[Conversion]:
    end_s = time.monotonic() + seconds
    taken: list[Conversion] = []
    while time.monotonic() < end_s:
        taken += desk.conversions(taken[-1].number if taken else after)
        time.sleep(0.1)
    return taken


def test_hands_at_the_desk_reach_the_load_cell(bench, desk):
    until(lambda: len(desk.conversions()) > 10)
    CliRunner().invoke(bench_commands, ["show", "--run-dir", str(bench.socket.parent)])  # imports what it needs
    before = desk.conversions()[-1].counts
    for words in (["knock", "2 kg"], ["hand", "2 kg", "--for", "1"], ["ice", "300 g"]):
        after = desk.conversions()[-1].number
        shown = CliRunner().invoke(bench_commands, [*words, "--run-dir", str(bench.socket.parent)])
        assert shown.exit_code == 0, shown.output
        assert any(abs(one.counts - before) > 20_000 for one in taken_for(1.5, desk, after))
    assert desk.conversions()[-1].counts == pytest.approx(before + 300 * 430, rel=0.25)  # spans differ by 20 %
    with pytest.raises(Refused, match="grams"):
        desk.knock(1e9)


def test_levels_are_stamped_on_the_clock_that_all_processes_share(bench, desk):
    before_s = time.monotonic()
    desk.claim_output(fete.GPIO[1], True)
    after_s = time.monotonic()
    (entry,) = [one for one in desk.newest_entries() if isinstance(one, LevelEntry)]
    assert before_s <= entry.at_s <= after_s
    assert entry.holder is not None and entry.holder.startswith("desk")


CLIENT = """
import os, signal, sys
from pathlib import Path
from controller.bench.client import BenchClient
client = BenchClient(Path(sys.argv[1]), name="guard")
client.claim_output(2, True)
client.set_pin(2, False)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("persist", [True, False])
def test_pins_of_a_killed_client(tmp_path, persist):
    bench = Bench(tmp_path, persist=persist)
    try:
        killed = subprocess.run([sys.executable, "-c", CLIENT, str(bench.socket)], check=False)
        assert killed.returncode == -signal.SIGKILL
        with BenchClient(bench.socket, name="sentinel") as desk:
            # GPIO 2 is pulled up after reset: let go of, it rests at off; latched, it keeps the pump running.
            until(lambda: desk.report().lines[0].contact_closed == persist)
            desk.claim_output(2, True)
            until(lambda: not desk.moves())
            levels = [(one.mode, one.level) for one in desk.newest_entries() if isinstance(one, LevelEntry)]
        let_go = ("output", False) if persist else ("input", True)
        assert levels == [("output", True), ("output", False), let_go, ("output", True)]
    finally:
        bench.stop()


def test_two_clients_cannot_hold_one_pin(bench, desk):
    desk.claim_output(2, True)
    with BenchClient(bench.socket, name="other") as other:
        with pytest.raises(BoardError, match=r"GPIO 2 is held by desk \(client 1\)"):
            other.claim_output(2, True)
        with pytest.raises(BoardError, match="GPIO 2 is not claimed by other"):
            other.set_pin(2, False)
        desk.close()
        other.claim_output(2, True)


def test_an_unknown_request_is_refused_and_the_bench_goes_on(desk):
    with pytest.raises(Refused, match="the bench knows no 'pour_gold'"):
        desk.ask("pour_gold")
    with pytest.raises(Refused, match="unhang: Expected `int`, got `str`"):
        desk.ask("unhang", line="two")
    with pytest.raises(Refused, match="there is no line 9"):
        desk.unhang(9)
    with pytest.raises(Refused, match="there is no contact 'door'"):
        desk.inject(InjectedFault(kind="input stuck", contact="door"))
    with pytest.raises(Refused, match="unknown field `colour`"):
        desk.ask("place_glass", colour="green")
    assert desk.report().glass == "tumbler"


@pytest.mark.parametrize(
    "rubbish",
    [
        *(b"\x00\xff\n", b'{"ask": 3}\n', b"[]\n", b"{" * 200_000, b'{"ask": "report"}'),
        b'{"colour": ' + b"[" * 20_000 + b"\n",
        b'{"ask": "hello", "with": {"name": ' + b"[" * 20_000 + b"]" * 20_000 + b"}}\n",
        *(b'{"ask": "read_pin", "with": {"gpio": ' + b"9" * digits + b"}}\n" for digits in (400, 4_000, 5_000)),
    ],
)
def test_rubbish_and_half_lines_hurt_nobody(bench, desk, rubbish):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
        sock.connect(str(bench.socket))
        sock.settimeout(5.0)
        try:
            sock.sendall(rubbish)
            sock.shutdown(socket.SHUT_WR)
            received = sock.recv(65536)
        except ConnectionError:
            received = b""
    assert received == b"" or "refused" in json.loads(received)
    assert desk.report().glass == "tumbler"


def test_more_clients_than_places_hurt_nobody(bench, desk):
    clients = [socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) for _ in range(MOST_CLIENTS + 8)]
    for client in clients:
        client.connect(str(bench.socket))
        client.settimeout(5.0)
    assert clients[-1].recv(1) == b""
    assert desk.report().glass == "tumbler"
    for client in clients:
        client.close()


def test_a_client_that_never_reads_is_dropped(bench, desk):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
        sock.connect(str(bench.socket))
        sock.settimeout(5.0)
        with pytest.raises(ConnectionError):
            for _ in range(100_000):
                sock.sendall(b'{"ask": "report"}\n' * 10)
    assert desk.report().glass == "tumbler"


def test_the_socket_is_for_owner_and_group_and_goes_with_the_bench(tmp_path):
    bench = Bench(tmp_path)
    assert stat.S_IMODE(bench.socket.stat().st_mode) == 0o660
    assert bench.stop() == 0
    assert not bench.socket.exists()
    with pytest.raises(Unreachable, match="no bench answers"):
        BenchClient(bench.socket)


def test_a_second_bench_at_one_socket_is_refused_and_a_killed_ones_socket_is_taken_over(bench, tmp_path):
    second = subprocess.run([sys.executable, "-c", bench_code(tmp_path)], capture_output=True, text=True, check=False)
    assert second.returncode == 1 and "another bench already listens at" in second.stderr
    bench.process.kill()
    bench.process.wait()
    third = Bench(tmp_path)
    assert third.stop() == 0


def test_a_bench_that_is_started_again_finds_its_bottles_and_glass_as_they_were(tmp_path):
    first = Bench(tmp_path)
    with BenchClient(first.socket) as desk:
        desk.lift_glass()
        desk.hang(2, "cold tea", 321.0)
        desk.place_glass(brim_ml=77.0)
    assert first.stop() == 0
    second = Bench(tmp_path)
    with BenchClient(second.socket) as desk:
        assert (desk.report().lines[1].liquid, desk.container_ml(2)) == ("cold tea", 321.0)
        assert desk.report().glass == "77 mL"
    assert second.stop() == 0


def test_an_idle_bench_sleeps(bench, desk):
    def spent_s() -> float:
        fields = Path(f"/proc/{bench.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    desk.report()
    before_s = spent_s()
    time.sleep(0.5)
    assert spent_s() - before_s < 0.05
