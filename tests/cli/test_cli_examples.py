"""Shipped examples are found by name wherever a file is asked for, also outside the repository."""

import pytest
from click.testing import CliRunner

from controller.cli import main


def run(monkeypatch, folder, *words):
    monkeypatch.chdir(folder)
    return CliRunner().invoke(main, words)


@pytest.mark.parametrize(
    "words",
    [
        ("check", "--profile", "bench_six_line", "--book", "orchard_fete"),
        ("wiring", "--profile", "six_line"),
        ("budget", "--profile", "four_line_active_high"),
        ("prepare", "supper_event", "--profile", "bench_six_line", "--book", "harvest_supper"),
    ],
)
def test_examples_are_found_by_name_from_any_folder(monkeypatch, tmp_path, words):
    shown = run(monkeypatch, tmp_path, *words)
    assert shown.exit_code == 0, shown.output


def test_a_name_that_is_neither_file_nor_example_is_answered_with_the_examples(monkeypatch, tmp_path):
    shown = run(monkeypatch, tmp_path, "up", "--profile", "bench_six_lines", "--book", "orchard_fete")
    assert shown.exit_code == 2
    assert "neither a file nor an example" in shown.output
    assert "bench_six_line," in shown.output
    assert "orchard_fete" not in shown.output, "a book is no profile"


def test_a_file_of_the_same_name_comes_before_the_example(monkeypatch, tmp_path):
    (tmp_path / "six_line").write_text("machine: mine\n", encoding="utf-8")
    shown = run(monkeypatch, tmp_path, "check", "--profile", "six_line")
    assert shown.exit_code == 2
    assert "six_line:1:1" in shown.output


def test_events_and_books_are_told_apart(monkeypatch, tmp_path):
    shown = run(monkeypatch, tmp_path, "check", "--book", "fete_event")
    assert shown.exit_code == 2
    assert "harvest_supper, orchard_fete." in shown.output
