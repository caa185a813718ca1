"""The machine as a new user has it: `tundish up` in one terminal, the other commands in a second one."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

import controller.cli.run.up as up_command
from controller.bench.client import BenchClient
from controller.cli.places import BENCH, ENGINE, GUARD
from controller.cli.run.children import _readable
from controller.cli.run.listeners import SOCKETS
from tests.processes.three_processes import in_time

ROOT = Path(__file__).parents[2]
PROFILE = ROOT / "hardware_profiles" / "bench_six_line.yaml"
BOOK = """
title: two small drinks
liquids:
  - {liquid: blackcurrant cordial, brix: 40 %, viscosity: 6.2 mPa*s}
  - {liquid: soda, density: 999 kg/m3, viscosity: 1 mPa*s}
glasses:
  - {glass: tumbler, brim: 330 mL, usable: 270 mL}
lines:
  - {line: 2, liquid: blackcurrant cordial, container: 700 mL}
  - {line: 6, liquid: soda, container: 5 L}
recipes:
  - recipe: Small Spritz
    glass: tumbler
    phases:
      - doses:
          - {liquid: blackcurrant cordial, volume: 8 mL}
          - {liquid: soda, volume: 12 mL}
  - recipe: Long Soda
    glass: tumbler
    phases:
      - doses:
          - {liquid: soda, volume: 150 mL}
"""
DENSITY = {"blackcurrant cordial": 1.176, "soda": 0.999}  # g/mL; 40 % sucrose by mass at 20 C: handbook, from memory
TOLERANCE_ML = 2.0  # Directive 2014/32/EU, MI-008: serving measures under 100 mL


class Desk:
    """A folder with a machine that is up in it."""

    def __init__(self, folder):
        self.folder = folder
        self.env = os.environ | {"TUNDISH_RUN_DIR": str(folder / "run"), "TUNDISH_STATE_DIR": str(folder / "state")}
        self.book = folder / "book.yaml"
        self.book.write_text(BOOK)
        self.profile = folder / "profile.yaml"
        self.profile.write_text(PROFILE.read_text().replace("serving_pause: 2 s", "serving_pause: 0 s"))

    def start(self, *words, **options):
        return subprocess.Popen(
            [sys.executable, "-m", "controller.cli", *words],
            cwd=ROOT,
            env=self.env,
            text=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            **options,
        )

    def tundish(self, *words):
        process = self.start(*words, stdin=subprocess.DEVNULL)
        out, err = process.communicate(timeout=180)
        return process.returncode, out, err

    def bench(self):
        return BenchClient(self.folder / "run" / "bench.sock")

    def words(self):
        return ["--profile", str(self.profile), "--book", str(self.book), "--seed", "3", "--glass", "tumbler"]

    @contextmanager
    def up(self):
        words = self.words()
        with (self.folder / "up.log").open("w") as log:
            command = [sys.executable, "-m", "controller.cli", "up", *words]
            process = in_time(subprocess.Popen(command, cwd=ROOT, env=self.env, stdout=log, stderr=log))
            try:
                wait_for(lambda: "All run." in self.said() or process.poll() is not None, self.said)
                assert process.poll() is None, self.said()
                yield process
            finally:
                process.terminate()
                process.wait(20)

    def said(self):
        return (self.folder / "up.log").read_text()


def wait_for(is_so, said):
    deadline_s = time.monotonic() + 120
    while not is_so():
        assert time.monotonic() < deadline_s, said()
        time.sleep(0.05)


@pytest.fixture(scope="module")
def desk():
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        desk = Desk(Path(name))
        with desk.up():
            assert desk.tundish("prime", "2", "6", "--jug")[0] == 0
            calibrate(desk)
            yield desk


def calibrate(desk):
    """Hand in what a perfect balance would have read: the bench tells its true flow and lag."""
    with desk.bench() as bench:
        truths = {one.line: one for one in bench.truth_report()}
    for line in (2, 6):
        truth = truths[line]
        rows = [(on_s, DENSITY[truth.liquid] * truth.flow_ml_s * (on_s - truth.lag_s)) for on_s in (2, 4, 8, 16, 4, 16)]
        file = desk.folder / f"line-{line}.csv"
        file.write_text("on_s,grams\n" + "".join(f"{on_s},{grams:.3f}\n" for on_s, grams in rows))
        code, _, err = desk.tundish("calibrate", str(line), "--trials", str(file), "--sure")
        assert code == 0, err


def fresh_glass(desk):
    with desk.bench() as bench:
        if bench.report().glass is not None:
            bench.lift_glass()
        time.sleep(1.3)
        bench.place_glass("tumbler")
    time.sleep(0.5)


def test_a_drink_is_in_the_glass_as_asked(desk):
    fresh_glass(desk)
    code, out, err = desk.tundish("pour", "Small Spritz")
    assert code == 0, out + err
    time.sleep(1.5)  # the funnel drains
    with desk.bench() as bench:
        glass_ml = bench.glass_contents_ml()
    assert abs(glass_ml["blackcurrant cordial"] - 8.0) <= TOLERANCE_ML
    assert abs(glass_ml["soda"] - 12.0) <= TOLERANCE_ML
    assert "done" in out


def test_stop_from_a_second_terminal_ends_the_pour_as_stopped(desk):
    fresh_glass(desk)
    pour = desk.start("pour", "Long Soda")
    wait_for(lambda: is_pumping(desk), desk.said)
    assert desk.tundish("stop")[0] == 0
    with desk.bench() as bench:
        assert not any(one.contact_closed for one in bench.report().lines)
    out, _ = pour.communicate(timeout=10)
    assert pour.returncode == 1
    assert "stopped" in out


def test_ctrl_c_stops_the_pumps_and_says_what_was_poured(desk):
    fresh_glass(desk)
    pour = desk.start("pour", "Long Soda")
    wait_for(lambda: is_pumping(desk), desk.said)
    time.sleep(1.0)
    pour.send_signal(signal.SIGINT)
    out, err = pour.communicate(timeout=10)
    assert pour.returncode == 1, out + err
    assert "Stopping." in out
    (poured_ml,) = json.loads(desk.tundish("history", "--limit", "1", "--json")[1])[0]["lines"]
    assert 0 < poured_ml["delivered_ml"] < 150
    assert f"{poured_ml['delivered_ml']:.1f} mL" in out
    assert not is_pumping(desk)


def test_no_glass_no_drink(desk):
    with desk.bench() as bench:
        if bench.report().glass is not None:
            bench.lift_glass()
    time.sleep(0.5)
    code, _, err = desk.tundish("pour", "Small Spritz", "--wait", "0 s")
    assert code == 1
    assert "glass" in err
    assert not is_pumping(desk)


def test_a_second_up_in_the_same_place_is_refused_and_disturbs_nobody(desk):
    code, _, err = desk.tundish("up", "--profile", str(desk.profile), "--book", str(desk.book))
    assert code == 1
    assert "already runs" in err
    assert desk.tundish("status")[0] == 0


def test_status_of_the_whole_machine_comes_as_json(desk):
    code, out, _ = desk.tundish("status", "--json")
    status = json.loads(out)
    assert code == 0
    assert [one["line"] for one in status["lines"]] == [1, 2, 3, 4, 5, 6]


def is_pumping(desk):
    with desk.bench() as bench:
        return any(one.contact_closed for one in bench.report().lines)


def test_all_end_together_when_one_ends():
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        desk = Desk(Path(name))
        with desk.up() as up:
            engine = child(up.pid, "engine")
            os.kill(engine, signal.SIGKILL)
            assert up.wait(20) == 1
        assert "the engine ended by itself (exit code -9): all are stopped." in desk.said()
        assert set((desk.folder / "run").rglob("*.sock")) <= {desk.folder / "run" / ENGINE}


def child(parent, word):
    """The process that this parent started with this word on its command line."""
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            words = (folder / "cmdline").read_bytes().split(b"\0")
            is_child = (folder / "stat").read_text().rpartition(")")[2].split()[1] == str(parent)
        except OSError:
            continue
        if is_child and word.encode() in words:
            return int(folder.name)
    raise LookupError(word)


def test_log_entries_become_words_and_other_lines_stay():
    entry = {"event": "guard_missing", "level": "warning", "timestamp": "2026-05-01T10:11:12.5Z", "process": "engine",
             "error": "no such file"}  # fmt: skip
    assert _readable(json.dumps(entry)) == "10:11:12 WARNING guard_missing error=no such file"
    for line in ("plain words", "[1, 2]", '{"no": "event"}', "17"):
        assert _readable(line) == line


# --- what is left when something ends that should not


@pytest.fixture
def fresh_desk():
    with tempfile.TemporaryDirectory(prefix="tun") as name:
        yield Desk(Path(name))


def processes_of(desk):
    """Every process that has the desk's folder on its command line: bench, guard, engine, sentinel, and up itself."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            words = (folder / "cmdline").read_bytes()
            is_zombie = (folder / "stat").read_text().rpartition(")")[2].split()[0] == "Z"
            if str(desk.folder).encode() in words and not is_zombie:
                found[int(folder.name)] = words.replace(b"\0", b" ").decode()
    return found


def test_nothing_is_left_when_up_is_killed_while_it_pours(fresh_desk):
    with fresh_desk.up() as up:
        assert fresh_desk.tundish("prime", "2", "6", "--jug")[0] == 0
        long_run = fresh_desk.start("purge", "6", "--jug", stdin=subprocess.DEVNULL)
        wait_for(lambda: is_pumping(fresh_desk), fresh_desk.said)
        up.kill()
        long_run.communicate(timeout=30)
        wait_for(lambda: not processes_of(fresh_desk), lambda: str(processes_of(fresh_desk)))
    last = json.loads(fresh_desk.tundish("journal", "--json", "--limit", "1")[1])
    assert "stopped" in json.dumps(last), "the engine ended first, in good order"


def test_nothing_is_left_when_the_terminal_is_closed(fresh_desk):
    ours, terminal = os.openpty()
    words = ["up", "--profile", str(fresh_desk.profile), "--book", str(fresh_desk.book), "--seed", "3"]
    take_terminal = "import os, sys; os.login_tty(0); os.execv(sys.argv[1], sys.argv[1:])"
    up = subprocess.Popen(
        [sys.executable, "-c", take_terminal, sys.executable, "-m", "controller.cli", *words],
        cwd=ROOT,
        env=fresh_desk.env,
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
    )
    os.close(terminal)
    said = b""
    while b"Ctrl-C here" not in said:
        said += os.read(ours, 4096)
    assert len(processes_of(fresh_desk)) >= 5
    os.close(ours)  # the window is closed
    up.wait(30)
    wait_for(lambda: not processes_of(fresh_desk), lambda: str(processes_of(fresh_desk)))


def test_behind_guard_and_sentinel_up_drives_every_line_off(fresh_desk):
    """The bench keeps its pins driven when their process dies, as common vendor kernels do."""
    with fresh_desk.up() as up, fresh_desk.bench() as bench:
        assert fresh_desk.tundish("prime", "2", "6", "--jug")[0] == 0
        pour = fresh_desk.start("purge", "6", "--jug", stdin=subprocess.DEVNULL)
        wait_for(lambda: is_pumping(fresh_desk), fresh_desk.said)
        engine = child(up.pid, "engine")
        os.kill(engine, signal.SIGSTOP)  # whoever waits for it first drives nothing off for ten seconds
        guard = child(up.pid, "guard")
        (sentinel,) = Path(f"/proc/{guard}/task/{guard}/children").read_text().split()
        os.kill(int(sentinel), signal.SIGKILL)
        os.kill(guard, signal.SIGKILL)
        wait_for(lambda: not any(one.contact_closed for one in bench.report().lines), fresh_desk.said)
        assert Path(f"/proc/{engine}/stat").read_text().rpartition(")")[2].split()[0] == "T", "nobody waited for it"
        os.kill(engine, signal.SIGCONT)
        assert up.wait(30) == 1
        pour.communicate(timeout=30)
    assert "the guard ended by itself (exit code -9): all are stopped." in fresh_desk.said()


def test_remains_of_a_machine_are_reported_by_status_and_up_and_taken_down(fresh_desk):
    files = ["--profile", str(fresh_desk.profile), "--book", str(fresh_desk.book)]
    left = [fresh_desk.start("bench", "run", *files)]
    wait_for((fresh_desk.folder / "run" / BENCH).is_socket, lambda: "no bench")
    left.append(fresh_desk.start("guard", *files))
    wait_for((fresh_desk.folder / "run" / GUARD).is_socket, lambda: "no guard")
    code, _, err = fresh_desk.tundish("status")
    assert (code, "guard and bench still run there. End them with tundish down" in err) == (3, True), err
    code, _, err = fresh_desk.tundish("up", *files)
    assert (code, "Stop it first with tundish down" in err) == (1, True), err
    assert fresh_desk.tundish("down") == (0, "guard  | stopped\nbench  | stopped\n", "")
    assert [one.wait(10) for one in left] == [0, 0]
    for one in left:
        one.communicate()
    code, out, _ = fresh_desk.tundish("down")
    assert (code, out) == (0, f"Nothing runs in {fresh_desk.folder / 'run'}.\n")
    with fresh_desk.up() as up:
        assert fresh_desk.tundish("status")[0] == 0
        assert fresh_desk.tundish("down") == (0, "".join(f"{one:<6} | stopped\n" for one in SOCKETS), "")
        assert up.wait(30) == 0
    assert "by itself" not in fresh_desk.said()
    assert "WARNING" not in fresh_desk.said().rpartition("Ctrl-C here stops all.")[2]
    assert not processes_of(fresh_desk)


@pytest.mark.parametrize(
    ("words", "condition", "folder"), [((), "steady", "p-7"), (("--as", "worn"), "worn", "p-7-worn")]
)
def test_a_simulated_machine_is_asked_for_by_its_condition_and_keeps_records_of_its_own(
    monkeypatch, tmp_path, words, condition, folder
):
    started = []
    monkeypatch.setattr(up_command, "run_together", lambda wanted, _: started.extend(wanted))
    monkeypatch.setattr(up_command, "own_state_dir", lambda: tmp_path / "records")
    (tmp_path / "p.yaml").write_text(PROFILE.read_text())
    (tmp_path / "b.yaml").write_text(BOOK)
    places = ["--profile", tmp_path / "p.yaml", "--book", tmp_path / "b.yaml", "--run-dir", tmp_path / "run"]
    result = CliRunner().invoke(up_command.up, [str(word) for word in (*places, "--seed", 7, *words)])
    assert result.exit_code == 0, result.output
    bench = started[0].words
    assert bench[bench.index("--as") + 1] == condition
    assert (tmp_path / "records" / folder).is_dir()
