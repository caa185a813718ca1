"""`tundish journal`: what the guard wrote down, read back while the guard still holds its file."""

import json
import os
import re
import shutil

import pytest
from click.testing import CliRunner
from msgspec.structs import replace

from controller.cli import main
from controller.ledger.journal import FileJournal
from controller.ledger.journal_reading import HEAD
from controller.model.messages import Acknowledge, Hello, Hung, Start, Stop
from tests.guard.guard_parts import BOOK, Reading, Rig, pouring, run_of, serve, with_caps

STOCK_DIFFERS = "stock differs"
POUR = serve(run_of(1, "apple juice", 0, 5))


def shown(*words: object):
    return CliRunner().invoke(main, ["journal", *map(str, words)])


@pytest.fixture
def evening(tmp_path):
    """A guard that still runs, and has poured, refused, and been stopped."""
    journal = FileJournal(tmp_path)
    rig = Rig(journal=journal).primed(1)
    rig.say(Start(operation=POUR))
    rig.run(8)
    rig.say(Start(operation=replace(POUR, operation="s2", glass="bucket")))
    pouring(rig, 2.0, replace(POUR, operation="s3"))
    rig.say(Stop())
    rig.run(3)
    yield tmp_path
    journal.close()


def test_every_operation_is_shown_with_edges_and_reasons(evening):
    done = shown("--state-dir", evening)
    assert done.exit_code == 0
    text = done.output
    assert "s1: serve orchard fizz, done\n    line 1: 10.0 of 10.0 mL apple juice" in text
    assert "on 0.000 s, off 5.000 s" in text
    assert "s2: refused by glass:" in text
    assert "s3: serve orchard fizz, stopped (stopped by a person)" in text
    assert "on 0.000 s, off 2.000 s" in text


def test_the_service_keeps_it_in_a_folder_of_its_own(evening):
    (evening / "guard").mkdir()
    for path in evening.glob("journal*"):
        path.rename(evening / "guard" / path.name)
    assert "s1: serve" in shown("--state-dir", evening).output


def test_as_json_and_only_the_last(evening):
    done = shown("--state-dir", evening, "--limit", 1, "--json")
    document = json.loads(done.output)
    assert [one["request"] for one in document["operations"]] == ["s3"]
    assert document["operations"][0]["edges"] == [[1, True, 0.0], [1, False, 2.0]]
    assert document["damage"] == []


def test_changed_figures_of_the_book_are_shown_old_and_new_between_the_operations(tmp_path):
    journal = FileJournal(tmp_path)
    rig = Reading(journal=journal).primed(1)
    rig.say(Start(operation=POUR))
    rig.run(8)
    juice = next(one for one in BOOK.liquids if one.liquid == "apple juice")
    others = tuple(one for one in BOOK.liquids if one is not juice)
    rig.reload(replace(BOOK, liquids=(replace(juice, abv_percent=7.5), *others)))
    journal.close()
    text = shown("--state-dir", tmp_path).output
    assert "apple juice" in text.split("changed: ")[0].splitlines()[-1]
    assert "7.5" in text.split("changed: ")[1].split("-> ")[1].splitlines()[0]
    assert text.index("s1: serve") < text.index("changed: ")


def test_changed_caps_are_shown_with_old_and_new_values(tmp_path):
    journal = FileJournal(tmp_path)
    rig = Rig(journal=journal).ready()
    journal.close()
    rig.kept = journal = FileJournal(tmp_path)
    rig.machine = with_caps(serving_volume_ml=123.0)
    rig.start_guard()
    rig.run(0.5, beat=False)
    journal.close()
    assert re.search(r"cap serving_volume_ml changed: \d+ -> 123\n", shown("--state-dir", tmp_path).output)


def test_faults_stock_disputes_and_their_acknowledgements_are_shown(tmp_path):
    journal = FileJournal(tmp_path)
    rig = Rig(journal=journal).primed(1)
    rig.guard.client_gone("engine")
    rig.run(0.5, beat=False)
    rig.say(Hello(version=1, role="engine", stock=(Hung(line=1, liquid="cold tea"),)))
    rig.say(Acknowledge(cause=STOCK_DIFFERS))
    journal.close()
    text = shown("--state-dir", tmp_path).output
    latched = (
        f"fault latched, {STOCK_DIFFERS}: line 1 carries apple juice as the guard knows, cold tea as the stock has it"
    )
    assert text.index(latched) < text.index(f"fault acknowledged, {STOCK_DIFFERS}")
    document = json.loads(shown("--state-dir", tmp_path, "--limit", 1, "--json").output)
    assert [one["text"] for one in document["happenings"]] == [f"fault acknowledged, {STOCK_DIFFERS}"]
    assert document["operations"] == []


def test_damage_is_reported_and_the_rest_is_read(evening, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(evening, copy, ignore=shutil.ignore_patterns("copy"))
    segment = next(copy.glob("*.log"))
    segment.write_bytes(segment.read_bytes().replace(b'"refused"', b'"refuzed"'))
    for path in (copy, segment):
        done = shown(path)
        assert done.exit_code == 1
        assert "damage:" in done.output
        assert "s1: serve" in done.output
        assert "s2:" not in done.output


@pytest.mark.parametrize("name", ["journal.db", "journal-0000000001.log"])
@pytest.mark.parametrize("text", ["", "orchard fete\n" * 400])
def test_a_file_that_is_no_journal_is_reported(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text)
    done = shown(path)
    assert done.exit_code == 1
    assert f"{path} cannot be read as a journal" in done.output
    assert path.read_text() == text


def test_of_several_machines_the_one_written_last_is_shown(evening, tmp_path):
    other = tmp_path / "bench_six_line-2"
    other.mkdir()
    FileJournal(other).close()
    os.utime(other / HEAD, (0, 0))
    assert "s1: serve" in shown("--state-dir", tmp_path).output
    os.utime(other / HEAD)
    assert shown("--state-dir", tmp_path).output == "Nothing was asked of this guard yet.\n"


def test_where_there_is_none_the_folder_is_named(tmp_path):
    done = shown("--state-dir", tmp_path)
    assert done.exit_code == 1
    assert f"there is no journal in {tmp_path}" in done.output
