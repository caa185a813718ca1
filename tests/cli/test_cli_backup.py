"""A machine is backed up, goes on, and comes back from the backup: what is trusted then, and what is not."""

import fcntl
import json
import shutil
import sqlite3
import stat
import tarfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.clock import VirtualClock
from controller.config import load
from controller.ledger.journal import FileJournal
from controller.ledger.orders import Drink, Guest, Order
from controller.ledger.schema import SCHEMA_VERSION
from controller.model.orders import OrderState
from controller.model.requests import (
    AcknowledgeRequest,
    AssignRequest,
    CalibrationRequest,
    LineRequest,
    PourRequest,
    TrialsRequest,
    WeighedTrial,
)
from controller.model.states import Contents
from controller.rehearsal.virtual_machine import VirtualMachine

ROOT = Path(__file__).resolve().parents[2]
VERSIONS = ROOT / "tests/ledger/versions"
FILES = ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/harvest_supper.yaml"
PROFILE, BOOK, _ = load(*FILES)
JUICE, PERRY, VERMOUTH = 1, 4, 5  # lines


class House:
    """A machine's folders as the services have them; `started` is one life of it."""

    def __init__(self, folder: Path, run_dir: Path) -> None:
        self.config, self.state, self.run_dir = folder / "etc", folder / "state", run_dir
        self.config.mkdir()
        shutil.copy(FILES[0], self.config / "profile.yaml")
        shutil.copy(FILES[1], self.config / "book.yaml")
        for name in ("guard", "engine"):
            (self.state / name).mkdir(parents=True)
        self.wall_s = 1_700_000_000.0
        self.boots = 0

    def started(self, *, after_s: float = 60.0) -> VirtualMachine:
        self.boots, self.wall_s = self.boots + 1, self.wall_s + after_s
        journal = FileJournal(self.state / "guard")
        clock = VirtualClock(now_s=5.0, wall_s=self.wall_s)
        ledger = self.state / "engine/ledger.db"
        return VirtualMachine(
            PROFILE, BOOK, seed=3, ledger_path=ledger, journal=journal, clock=clock, boot=str(self.boots)
        )

    def stopped(self, machine: VirtualMachine) -> None:
        self.wall_s = machine.clock.wall_s()
        machine.close()

    def run(self, *words: object) -> tuple[int, str]:
        places = ["--config-dir", self.config, "--state-dir", self.state, "--run-dir", self.run_dir]
        result = CliRunner().invoke(main, [str(word) for word in (*words, *places)], catch_exceptions=False)
        return result.exit_code, result.output

    def files(self) -> dict[str, bytes]:
        folders = (self.config, self.state)
        return {str(path): path.read_bytes() for one in folders for path in one.rglob("*") if path.is_file()}


@pytest.fixture
def house(tmp_path, run_dir):
    return House(tmp_path, run_dir)


@pytest.fixture
def archive(house, tmp_path):
    """Of a machine with three liquids in its tubes, two calibrations, and one serving on record."""
    machine = house.started()
    prime(machine, JUICE, PERRY, VERMOUTH)
    for line in (PERRY, VERMOUTH):
        trials = tuple(WeighedTrial(on_s=on_s, grams=5.0 * (on_s - 0.1)) for on_s in (2.0, 4.0, 8.0, 12.0, 16.0))
        machine.engine.calibrating.weigh_rows(TrialsRequest(line=line, trials=trials))
        machine.engine.calibrating.settle(CalibrationRequest(line=line, by="a maker"))
        machine.pass_time(1.0)
    machine.plant.place_glass("tumbler")
    machine.pass_time(5.0)
    machine.finish(machine.engine.pour(PourRequest(recipe="Perry Spritz")).operation)
    house.stopped(machine)
    code, said = house.run("backup", tmp_path / "kept.tar.gz")
    assert (code, "files of six-line bench, readable by their owner only" in said) == (0, True)
    return tmp_path / "kept.tar.gz"


def prime(machine: VirtualMachine, *lines: int) -> None:
    machine.plant.place_glass(brim_ml=2000.0)
    machine.pass_time(2.0)
    for line in lines:
        machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(line,), jug=True)).operation)
    machine.plant.lift_glass()


def test_only_the_owner_may_read_a_backup_and_it_holds_files_and_records(archive):
    assert stat.S_IMODE(archive.stat().st_mode) == 0o600
    with tarfile.open(archive) as packed:
        names = packed.getnames()
    assert names[0] == "contents.json"
    assert {"files/profile.yaml", "files/book.yaml", "records/engine/ledger.db", "records/guard/journal.head"} < {
        *names
    }


def test_neither_who_ordered_what_nor_a_token_gets_into_a_backup(house, tmp_path):
    """The ledger keeps its guests; the archive, unpacked, has none of them, and is whole."""
    guest = Guest(owner="owner-0123456789", key="key-0123456789", name="Zebedee-01", secret="secret-0123456789")
    drink = Drink(glass="tumbler", volume_ml=100.0, ethanol_g=0.0, seconds=10.0, doses_ml={"apple juice": 100.0})
    order = Order(
        seq=1,
        number=1,
        rank=1.0,
        state=OrderState.PLACED,
        request=PourRequest(recipe="Perry Spritz"),
        drink=drink,
        needs_nod=False,
        placed_wall_s=house.wall_s,
        guest=guest,
    )
    machine = house.started()
    machine.ledger.orders.place(order)
    house.stopped(machine)
    for name in ("tokens", ".tokens.new"):
        (house.state / "engine" / name).write_text("operator token-0123456789012345\n")
    for name in ("ledger.db.damaged-1", "ledger.db.damaged-1-wal"):
        (house.state / "engine" / name).write_text("what is left of Zebedee-01's order")
    code, said = house.run("backup", tmp_path / "kept.tar.gz")
    assert (code, "problem" in said) == (0, False)
    with tarfile.open(tmp_path / "kept.tar.gz") as packed:
        packed.extractall(tmp_path / "unpacked", filter="data")
    content = b"".join(path.read_bytes() for path in (tmp_path / "unpacked").rglob("*") if path.is_file())
    words = (guest.owner, guest.key, guest.name, guest.secret, "token-0123456789012345")
    assert [word for word in words if word.encode() in content] == []
    assert b"Perry Spritz" in content


def test_beside_a_running_machine_the_ledger_s_log_belongs_to_it(house, tmp_path):
    """Its log is not empty then; nobody has ordered anything."""
    house.stopped(house.started())
    machine = house.started()
    machine.engine.assign(AssignRequest(line=JUICE, liquid="apple juice", container_ml=3000.0))
    assert (house.state / "engine/ledger.db-wal").stat().st_size > 0
    code, said = house.run("backup", tmp_path / "kept.tar.gz")
    machine.close()
    assert (code, "problem" in said) == (0, False), said
    assert house.run("restore", tmp_path / "kept.tar.gz", "--apply")[0] == 0
    machine = house.started()
    assert machine.ledger.damage == ()
    assert machine.ledger.stock.hanging()[JUICE].container_ml == 3000.0
    machine.close()


def test_damage_that_sqlite_does_not_see_is_named_by_a_backup_too(house, archive, tmp_path):
    ledger = house.state / "engine/ledger.db"
    ledger.write_bytes(ledger.read_bytes().replace(b"Perry Spritz", b"Perry Spritx"))
    code, said = house.run("backup", tmp_path / "bad.tar.gz")
    assert (code, "pages are not as they were written" in said) == (1, True)


def test_a_restore_that_is_not_applied_changes_nothing(house, archive):
    before = house.files()
    code, said = house.run("restore", archive)
    assert (code, said.split(":")[0], "Nothing was changed" in said) == (0, "Complete", True)
    assert house.files() == before


def test_after_a_restore_nothing_is_certain_and_the_hour_is_used_up(house, archive):
    assert house.run("restore", archive, "--apply")[0] == 0
    machine = house.started(after_s=0.0)
    memory = machine.guard.core.memory
    assert {state.contents for state in memory.lines} == {Contents.UNKNOWN}
    assert len(memory.servings) >= PROFILE.caps.hour_servings
    assert sum(one.ethanol_g for one in memory.servings) >= PROFILE.caps.hour_ethanol_g - 1e-9
    assert memory.fault.text.startswith("everything comes from the backup made at ")
    machine.engine.acknowledge(AcknowledgeRequest(cause=memory.fault.cause))
    machine.pass_time(2.0)
    assert machine.engine.status().state == "idle"
    assert [view.recipe for view in machine.engine.history(10) if view.kind == "serve"] == ["Perry Spritz"]
    machine.close()


def test_tubes_keep_the_traces_of_both(house, archive):
    """Juice's line carried perry after the backup: its sulphites stay although the backup knows only of juice."""
    machine = house.started()
    machine.engine.assign(AssignRequest(line=JUICE, liquid="perry", container_ml=3000.0))
    machine.plant.hang(JUICE, "perry", 3000.0)
    machine.plant.place_glass(brim_ml=2000.0)
    machine.pass_time(2.0)
    for kind in ("purge", "rinse"):
        machine.finish(machine.engine.run_lines(LineRequest(kind=kind, lines=(JUICE,), jug=True)).operation)
    machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=(JUICE,), jug=True)).operation)
    house.stopped(machine)
    assert house.run("restore", archive, "--apply")[0] == 0
    machine = house.started()
    state = machine.guard.core.memory.line(JUICE)
    machine.close()
    assert ("sulphites" in state.traces, {"apple juice", "perry"} <= {*state.drawn}) == (True, True)


def test_what_was_there_before_is_kept_and_can_be_put_back(house, archive):
    machine = house.started()
    prime(machine, 6)
    operations = len(machine.engine.history(100))
    house.stopped(machine)
    code, said = house.run("restore", archive, "--apply", "--json")
    kept = json.loads(said)["kept"]
    assert (code, Path(kept).parent) == (0, house.state / "backups")
    machine = house.started()
    assert len(machine.engine.history(100)) == operations - 1
    house.stopped(machine)
    assert house.run("restore", kept, "--apply")[0] == 0
    machine = house.started()
    assert len(machine.engine.history(100)) == operations
    machine.close()


def test_a_power_cut_between_journal_and_ledger_is_found_at_the_next_start(house, archive, monkeypatch):
    machine = house.started()
    prime(machine, 6)
    house.stopped(machine)
    rename = Path.rename

    def cut(path: Path, target: Path) -> Path:
        if path == house.state / "engine":
            raise OSError("power cut")
        return rename(path, target)

    monkeypatch.setattr(Path, "rename", cut)
    assert house.run("restore", archive, "--apply")[0] == 1
    monkeypatch.undo()
    machine = house.started()
    memory = machine.guard.core.memory
    assert "the engine was told of journal entry" in memory.fault.text
    assert {state.contents for state in memory.lines} == {Contents.UNKNOWN}
    machine.close()


def test_other_files_beside_the_records_are_left_alone(house, archive):
    (house.state / "lost+found").mkdir()
    (house.state / "notes.txt").write_text("orchard fete")
    assert house.run("restore", archive, "--apply")[0] == 0
    names = {path.name for path in house.state.iterdir()}
    assert names == {"guard", "engine", "backups", "lost+found", "notes.txt"}


def test_records_in_one_folder_come_back_as_they_lay(house, archive, tmp_path):
    """As `tundish up` keeps them, beside what the simulated tubes really hold."""
    for name in ("guard", "engine"):
        for path in (house.state / name).iterdir():
            path.rename(house.state / path.name)
        (house.state / name).rmdir()
    (house.state / "bench.json").write_text("{}")
    flat = tmp_path / "flat.tar.gz"
    assert house.run("backup", flat)[0] == 0
    (house.state / "bench.json").write_text("other")
    (house.state / "journal-0000009999.log").write_text("of the time since")
    assert house.run("restore", flat, "--apply")[0] == 0
    assert (house.state / "bench.json").read_text() == "other"
    assert not (house.state / "journal-0000009999.log").exists()
    with closing(FileJournal(house.state)) as journal:
        assert journal.read().damage == ()
    assert "refused by restore_layout" in house.run("restore", archive, "--apply")[1]


def test_a_restore_onto_a_new_card_brings_the_files_back(house, archive, tmp_path, run_dir):
    for folder in (house.config, house.state):
        shutil.rmtree(folder)
    assert house.run("restore", archive, "--apply")[0] == 0
    assert (house.config / "book.yaml").read_bytes() == FILES[1].read_bytes()
    assert {path.name for path in house.state.iterdir()} == {"guard", "engine"}
    machine = house.started()
    assert {state.contents for state in machine.guard.core.memory.lines} == {Contents.UNKNOWN}
    machine.close()


@pytest.mark.parametrize("version", range(1, SCHEMA_VERSION + 1))
def test_records_of_every_earlier_version_are_restored(house, tmp_path, version):
    for name, kind in (("ledger", "engine"), ("journal", "guard")):
        file = f"{name}_v{version if name == 'ledger' else 1}.sql"
        with closing(sqlite3.connect(house.state / kind / f"{name}.db")) as db:
            db.executescript((VERSIONS / file).read_text())
    archive = tmp_path / "old.tar.gz"
    before = house.files()
    assert house.run("backup", archive)[0] == 0
    assert house.files() == before
    assert house.run("restore", archive, "--apply")[0] == 0
    machine = house.started()
    assert [view.recipe for view in machine.engine.history(10) if view.outcome == "done" and view.recipe] == [
        "Blackcurrant Spritz"
    ]
    assert {state.contents for state in machine.guard.core.memory.lines} == {Contents.UNKNOWN}
    machine.close()


# --- refusals


def test_no_backup_while_an_operation_runs_and_no_restore_while_the_guard_does(house, archive, tmp_path, engine):
    before = house.files()
    for state, code in (("execute", 1), ("held", 1), ("idle", 0)):
        engine.answers["GET", "status"] = 200, status(state)
        found, said = house.run("backup", tmp_path / f"{state}.tar.gz")
        assert (found, "an operation is under way" in said) == (code, code == 1)
    code, said = house.run("restore", archive, "--apply")
    assert (code, "engine must not run while their records are replaced" in said) == (1, True)
    assert house.files() == before


def status(state: str) -> dict[str, object]:
    facts: dict[str, Any] = {"fault": None, "operation": None, "inputs": None, "lines": []}
    return {"machine": "m", "book": "b", "state": state, "guard_connected": True, **facts}


def test_the_lock_of_a_guard_that_does_not_answer_counts_too(house, archive):
    with (house.state / "guard/journal.head").open() as head:
        fcntl.flock(head, fcntl.LOCK_EX)
        assert "guard must not run" in house.run("restore", archive, "--apply")[1]


def test_a_backup_overwrites_nothing(house, archive):
    before = archive.read_bytes()
    code, said = house.run("backup", archive)
    assert (code, "is there already and is not overwritten" in said) == (1, True)
    assert archive.read_bytes() == before


def test_the_wrong_folder_has_no_records(house, tmp_path):
    code, said = house.run("backup", tmp_path / "none.tar.gz")
    assert (code, "there are no records of a machine in" in said) == (1, True)
    assert not (tmp_path / "none.tar.gz").exists()


def test_a_damaged_backup_is_refused_and_nothing_is_changed(house, archive, tmp_path):
    before = house.files()
    data = archive.read_bytes()
    for name, content in {
        "cut": data[: len(data) // 2],
        "flipped": data[:-200] + bytes([data[-200] ^ 1]) + data[-199:],
        "another file": b"orchard fete\n" * 40,
    }.items():
        path = tmp_path / f"{name}.tar.gz"
        path.write_bytes(content)
        code, said = house.run("restore", path, "--apply")
        assert (code, "cannot be read as a backup" in said or "is damaged" in said) == (1, True), name
    assert house.files() == before


@pytest.mark.parametrize("name", ["../outside", "/etc/passwd", "records/guard/more"])
def test_a_foreign_file_in_a_backup_is_refused(house, archive, tmp_path, name):
    """A path that leads out of it, or a file that its own list does not have."""
    altered = tmp_path / "altered.tar.gz"
    with tarfile.open(archive) as old, tarfile.open(altered, "w:gz") as new:
        for member in old:
            new.addfile(member, old.extractfile(member))
        new.addfile(tarfile.TarInfo(name))
    before = house.files()
    code, said = house.run("restore", altered, "--apply")
    assert (code, name in said) == (1, True)
    assert house.files() == before


def test_a_damaged_ledger_is_kept_and_reported(house, archive, tmp_path):
    ledger = house.state / "engine/ledger.db"
    data = bytearray(ledger.read_bytes())
    data[2048:6144] = bytes(4096)
    ledger.write_bytes(data)
    code, said = house.run("backup", tmp_path / "bad.tar.gz")
    assert (code, "problem: " in said, "ledger.db" in said) == (1, True, True)
    assert (tmp_path / "bad.tar.gz").exists()
    before = house.files()
    assert house.run("restore", tmp_path / "bad.tar.gz", "--apply")[0] == 1
    assert house.files() == before
