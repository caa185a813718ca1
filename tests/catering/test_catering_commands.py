"""`tundish prepare` and `tundish rehearse` as people call them."""

import csv
import json

import msgspec
import pytest
from click.testing import CliRunner

from controller.catering.preparation import Preparation
from controller.cli import main
from controller.rehearsal.evening_record import Evening
from tests.catering.evening_parts import BOOKS, PROFILE, ROOT

EVENT = ROOT / "demo" / "fete_event.yaml"
WITH = ("--profile", str(PROFILE), "--book", str(ROOT / "demo" / BOOKS["fete"]))


@pytest.fixture
def small_event(tmp_path):
    """An event that is over soon: three lines, few guests."""
    path = tmp_path / "event.yaml"
    path.write_text(
        'title: garden\nguests: 5\nstarts: "20:00"\nends: "20:30"\n'
        "drinks_per_guest: {mean: 1, distribution: fixed}\n"
        "menu: [{recipe: Blackcurrant Spritz, weight: 1}]\n",
        encoding="utf-8",
    )
    return path


def tundish(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_prepare_tells_what_a_person_needs(tmp_path):
    result = tundish("prepare", EVENT, *WITH, "--csv", tmp_path / "list.csv", "--picture", tmp_path / "event.svg")
    assert result.exit_code == 0, result.output
    for said in (
        "240 drinks to expect",
        "at 95 %",
        "5 x 3 L",
        "glass: tumbler",
        "a slice of lime",
        "Waiting",
        "Changes of containers",
        "kept",
    ):
        assert said in result.stdout
    rows = list(csv.DictReader((tmp_path / "list.csv").read_text(encoding="utf-8").splitlines()))
    juice = [row for row in rows if row["liquid"] == "apple juice"]
    assert [(row["container / mL"], row["count"], row["bought / mL"]) for row in juice] == [
        ("3000", "5", "15000"),
    ]
    assert rows[-1]["liquid"] == "rinse water"
    assert {row["liquid"] for row in rows} > {"tumbler", "cup", "add four cubes of ice", "add a slice of lime"}
    picture = (tmp_path / "event.svg").read_text(encoding="utf-8")
    for said in ("soda", "people waiting", "busiest hour"):
        assert said in picture


def test_prepare_prints_one_document(small_event):
    result = tundish("prepare", small_event, *WITH, "--json", "--seed", 4)
    assert result.exit_code == 0
    found = msgspec.json.decode(result.stdout, type=Preparation)
    assert found.outlook.seed == 4
    assert {one.liquid for one in found.purchases} == {"blackcurrant cordial", "soda"}


def test_a_bad_event_ends_with_2_and_all_its_problems(tmp_path):
    path = tmp_path / "event.yaml"
    path.write_text(
        EVENT.read_text(encoding="utf-8").replace("96", "many").replace('"22:00"', '"22"'), encoding="utf-8"
    )
    for command in ("prepare", "rehearse"):
        result = tundish(command, path, *WITH)
        assert result.exit_code == 2
        assert "guests:" in result.stderr
        assert "ends:" in result.stderr
    facts = json.loads(tundish("prepare", path, *WITH, "--json").stderr)
    assert len(facts["problems"]) == 2


def test_pictures_have_an_ending_that_is_known(tmp_path, small_event):
    result = tundish("prepare", small_event, *WITH, "--picture", tmp_path / "event.txt")
    assert result.exit_code == 1
    assert ".svg or .png" in result.stderr


def test_rehearse_reports(tmp_path, small_event):
    report = tmp_path / "report.html"
    result = tundish("rehearse", small_event, *WITH, "--seed", 3, "--fault", "pump stalled, line 6, 20:05", "--json",
                     "--report", report)  # fmt: skip
    assert result.exit_code == 0, result.output
    found = msgspec.json.decode(result.stdout, type=Evening)
    assert (found.seed, found.orders, len(found.served)) == (3, 5, 5)
    assert [one.what for one in found.troubles] == ["pump stalled, line 6"]
    assert "pump stalled, line 6" in report.read_text(encoding="utf-8")


def test_rehearse_speaks_to_people(small_event):
    result = tundish("rehearse", small_event, *WITH)
    assert result.exit_code == 0, result.output
    for said in ("5 of 5 drinks served", "within tolerance (MI-008)", "wait:", "left over"):
        assert said in result.stdout


def test_a_fault_that_cannot_be_is_wrong_usage(small_event):
    result = tundish("rehearse", small_event, *WITH, "--fault", "pump stalled, line 99, 20:05")
    assert result.exit_code == 2
    assert "there is no line 99" in result.stderr


def test_an_unwritable_report_is_refused_before_anything_is_rehearsed(small_event, tmp_path):
    result = tundish("rehearse", small_event, *WITH, "--report", tmp_path / "none" / "report.html")
    assert result.exit_code == 2
    assert "there is no folder" in result.stderr


def test_measured_flows_need_a_running_machine(small_event, tmp_path):
    result = tundish("prepare", small_event, *WITH, "--measured", "--run-dir", tmp_path)
    assert result.exit_code == 3
