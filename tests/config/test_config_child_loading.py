"""Loading in a child process gives the same, and keeps the parent small."""

import subprocess
import sys

import pytest

from controller.config import load, load_in_child
from controller.errors import FileProblems
from tests.config.faulty_files import BOOK, PROFILE, ROOT


def test_a_child_reads_the_same_values_and_warnings():
    assert load_in_child(PROFILE, BOOK) == load(PROFILE, BOOK)


def test_a_child_reports_the_same_problems(tmp_path):
    bad = tmp_path / "book.yaml"
    bad.write_text(BOOK.read_text(encoding="utf-8").replace("volume: 90 mL", "volume: 3 oz"), encoding="utf-8")
    with pytest.raises(FileProblems) as here:
        load(PROFILE, bad)
    with pytest.raises(FileProblems) as apart:
        load_in_child(PROFILE, bad)
    assert apart.value.problems == here.value.problems


def test_a_child_that_fails_is_a_problem_of_the_file(monkeypatch):
    monkeypatch.setattr(sys, "executable", "/nonexistent/python")
    with pytest.raises(FileProblems, match="child process failed"):
        load_in_child(PROFILE, BOOK)


def test_the_parent_loads_neither_yaml_nor_pint():
    code = (
        "import sys; from controller.config import load_in_child; "
        f"load_in_child({str(PROFILE)!r}, {str(BOOK)!r}); print(sorted({{'yaml', 'pint'}} & sys.modules.keys()))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout == "[]\n"
