"""A changed book is taken over by the running machine, and a bad one is not: three processes and the command line."""

import json
import signal
import subprocess
import sys
import threading
from contextlib import contextmanager

import pytest

from controller.config import load_in_child
from tests.processes.three_processes import BOOK, PROFILE, Processes

TEXT = BOOK.read_text()


@pytest.fixture
def machine(tmp_path_factory):
    folder = tmp_path_factory.mktemp("m")
    book = folder / "book.yaml"
    book.write_text(TEXT)
    made = Processes(folder, book=book)
    try:
        made.start_all()
        yield made
    finally:
        made.close()


def reload(machine, *options):
    command = [sys.executable, "-m", "controller.cli", "reload", "--json", "--run-dir", str(machine.run_dir), *options]
    return subprocess.run(command, capture_output=True, check=False, text=True)


@contextmanager
def books_of_the_guard(machine):
    """The guard's book, asked for again and again meanwhile."""
    observer, books, is_over = machine.observer(), [], threading.Event()

    def watch():
        while not is_over.wait(0.02):
            books.append(observer.book())

    watching = threading.Thread(target=watch)
    watching.start()
    try:
        yield books
    finally:
        is_over.set()
        watching.join()
        observer.close()


def test_the_book_in_force_changes_without_a_restart_or_not_at_all(machine):
    pids = [process.pid for process in machine.running.values()]
    title = machine.status().book

    # A bad file: every problem is named, by place, and the old book stays.
    machine.book.write_text(TEXT.replace("liquids:", "liquidz:", 1).replace("glasses:", "glassez:", 1))
    done = reload(machine)
    assert done.returncode == 2
    problems = json.loads(done.stderr)["problems"]
    assert len(problems) >= 2
    assert {one["file"] for one in problems} == {str(machine.book)}
    assert machine.status().book == title

    # A good one: both work with it, and the guard hears its clients while a child of it reads.
    machine.book.write_text(TEXT.replace("title: orchard fete", "title: second evening", 1))
    with books_of_the_guard(machine) as books:
        done = reload(machine)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["book"] == "second evening"
    assert machine.status().book == "second evening"
    mark = load_in_child(PROFILE, machine.book)[1].mark
    assert books[0] != books[-1] == mark
    assert len(books) > 5, "the guard answered while the book was read"

    # A larger glass is asked about, once; nobody can answer here.
    machine.book.write_text(TEXT.replace("brim: 340 mL, usable: 270 mL", "brim: 540 mL, usable: 470 mL", 1))
    done = reload(machine)
    assert [one["glass"] for one in json.loads(done.stdout)["larger_glasses"]] == ["tumbler"]
    assert 'tundish reload --larger-glass "tumbler"' in done.stderr
    assert reload(machine, "--larger-glass", "tumbler").returncode == 0
    assert json.loads(reload(machine).stdout)["larger_glasses"] == []

    # By signal, as `systemctl reload` sends it.
    machine.book.write_text(TEXT)
    machine.send("engine", signal.SIGHUP)
    machine.wait_for(lambda: machine.status().book == title)
    assert [process.pid for process in machine.running.values() if process.poll() is None] == pids
