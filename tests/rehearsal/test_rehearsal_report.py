"""The report of a rehearsal: one page, well-formed, no network, nothing said by colour alone."""

import re
from html.parser import HTMLParser
from typing import Any
from xml.etree import ElementTree

import msgspec
import pytest

from controller.cli.pages.rehearsal_report import duration, page
from controller.rehearsal.evening_record import PouredDose
from tests.rehearsal.small_evening import plain, troubled

VOID = {"meta", "br", "hr", "img", "input", "link"}


class Reader(HTMLParser):
    """Reads a page strictly: every element that is opened is closed in turn."""

    def __init__(self, text):
        super().__init__()
        self.open, self.seen, self.words = list[str](), list[str](), list[str]()
        self.attributes: list[Any] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def report():
    return page(troubled())


def test_the_page_is_whole_and_reaches_for_nothing(report):
    reader = Reader(report)
    assert report.startswith("<!doctype html>")
    assert not {"script", "link", "iframe", "object", "embed", "img"} & {*reader.seen}
    assert not [one for one in reader.attributes if one[1] in ("src", "srcset", "action") or one[1][:2] == "on"]
    assert all(value[0] == "#" for _, name, value in reader.attributes if name == "href"), "a place in the page itself"
    assert re.findall(r"url\((?!#)", report) == []
    assert "http" not in report
    assert "@import" not in report


def test_pictures_are_complete_and_labelled(report):
    pictures = re.findall(r"<svg .*?</svg>", report, re.DOTALL)
    assert len(pictures) == 4
    for picture in pictures:
        root = ElementTree.fromstring(picture)
        assert root.get("role") == "img"
        assert root.get("aria-label")
        left, top, width, height = map(float, root.attrib["viewBox"].split())
        drawn = [one for one in root.iter("use") if one.get("x") is not None]
        assert drawn
        for mark in drawn:
            assert left <= float(mark.attrib["x"]) <= width
            assert top <= float(mark.attrib["y"]) <= height


def test_pictures_take_the_ink_of_the_page(report):
    """Dark page or light: no text and no axis has a fixed dark colour."""
    pictures = "".join(re.findall(r"<svg .*?</svg>", report, re.DOTALL))
    assert "currentColor" in pictures
    assert "#222222" not in pictures
    assert "#000000" not in pictures


def test_figures_of_the_page_are_those_of_the_record(report):
    found, text = troubled(), Reader(report).text
    inside = sum(dose.is_inside for dose in found.doses)
    assert f"{len(found.served)} of {found.orders} drinks served" in text
    assert f"{inside} of {len(found.doses)} doses within tolerance" in text
    assert f"{len(found.changes)} containers changed" in text
    errors = [float(one) for one in re.findall(r"<title>[^<]* mL asked, ([-+][0-9.]+) mL off</title>", report)]
    assert sorted(errors) == sorted(round(dose.error_ml, 2) for dose in found.doses)
    for one in found.troubles:
        assert one.what in text
    assert "OUTSIDE" in text, "not by colour alone"
    assert "simulated" in text.lower()


def test_an_event_without_trouble_says_so():
    text = Reader(page(plain())).text
    assert "Nothing was refused." in text, plain().refusals
    assert "Faults" not in text


def test_names_cannot_break_out_of_the_page():
    nasty = '<script>alert("x")</script> & "co"'
    served = tuple(
        msgspec.structs.replace(
            one, recipe=nasty, doses=tuple(msgspec.structs.replace(dose, liquid=nasty) for dose in one.doses)
        )
        for one in plain().served
    )
    lines = tuple(msgspec.structs.replace(one, liquid=nasty) for one in plain().lines)
    prepared = msgspec.structs.replace(plain().prepared, event=nasty, machine=nasty, book=nasty)
    text = page(msgspec.structs.replace(plain(), prepared=prepared, served=served, lines=lines))
    reader = Reader(text)
    assert "script" not in reader.seen
    assert nasty in reader.text


def test_an_event_to_which_nobody_comes_has_a_page_too():
    nobody = msgspec.structs.replace(plain(), orders=0, served=(), changes=())
    text = Reader(page(nobody)).text
    assert "0 of 0 drinks served" in text
    assert "No drink was served." in text


def test_the_record_survives_json():
    encoded = msgspec.json.encode(troubled())
    assert msgspec.json.decode(encoded, type=type(troubled())) == troubled()


def test_times_for_people():
    assert [duration(s) for s in (0.2, 59.4, 59.6, 200.0, 3599.7, 3900.0)] == [
        "0 s", "59 s", "1 min 00 s", "3 min 20 s", "1 h 00 min", "1 h 05 min",
    ]  # fmt: skip
    assert plain().clock(0.0) == "20:00"
    assert plain().clock(4 * 3600.0 + 61.0) == "00:01"


@pytest.mark.parametrize(("asked_ml", "glass_ml", "is_inside"), [(50, 52, True), (50, 52.1, False), (200, 194, True)])
def test_tolerance_is_that_of_serving_measures(asked_ml, glass_ml, is_inside):
    # Directive 2014/32/EU, MI-008: under 100 mL +-2 mL, from 100 mL +-3 % (from memory).
    assert PouredDose(liquid="soda", asked_ml=asked_ml, glass_ml=glass_ml).is_inside is is_inside
