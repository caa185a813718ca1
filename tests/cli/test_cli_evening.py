"""Stock, menu, hygiene, guided sequences and history on the command line, against canned answers."""

import csv
import json
import re
from datetime import datetime
from html.parser import HTMLParser

import pytest

STOCK = {
    "line": 3, "liquid": "ginger syrup", "container_ml": 700.0, "remaining_ml": 412.3, "u_ml": 6.0, "sure_ml": 400.3,
    "perhaps_more_ml": 12.0, "opened_wall_s": 1_789_000_000.0, "keeps_until_wall_s": 1_789_100_000.0, "tare_g": None,
    "is_known_to_guard": True,
}  # fmt: skip
PURGE = {
    "kind": "purge", "lines": [1, 2], "asks": ["Hang the tubes in air.", "Put an empty jug under the outlet."],
    "volume_ml": 40.0, "seconds": 6.0,
}  # fmt: skip
WAIT = PURGE | {"kind": "wait", "asks": ["Leave the lines alone."], "volume_ml": 0.0, "seconds": 90.0}
CLOSE = {
    "kind": "close", "line": None, "liquid": None, "container_ml": None, "begun_wall_s": 1.0, "step": PURGE,
    "done_lines": [], "lines": [1, 2],
}  # fmt: skip
OPERATION = {
    "operation": "op1", "kind": "purge", "recipe": None, "times": 1.0, "admitted": True, "refused": [],
    "waiting_for": None, "outcome": "done", "reason": "", "elapsed_s": 6.0, "planned_s": 6.0,
    "lines": [{"line": 1, "liquid": "air", "asked_ml": 20.0, "delivered_ml": 20.1, "is_on": False}],
}  # fmt: skip
LINE = {
    "line": 1, "liquid": "soda", "contents": "liquid", "holds": "soda", "since_wall_s": 1_789_000_000.0,
    "cleaned_wall_s": None, "clean_by_wall_s": 1_789_000_000.0, "keeps_until_wall_s": 1_789_000_000.0,
    "overdue": ["line 1: soda is 0.5 h past its time"], "next_step": "purge it, then clean and rinse it",
}  # fmt: skip
RECORD = {
    "machine": "six-line <bench>", "book": "orchard fete", "since_wall_s": 1_789_000_000.0,
    "until_wall_s": 1_789_100_000.0, "written_wall_s": 1_789_100_000.0, "contact_s": 1200.0, "rinse_line_volumes": 5,
    "lines": [LINE, LINE | {"line": 2, "overdue": []}],
    "rows": [
        {"wall_s": 1_789_000_100.0, "line": 1, "event": "rinse", "text": "rinse water, 18 s", "volume_ml": 84.8,
         "outcome": "done", "person": ""},
        {"wall_s": 1_789_000_200.0, "line": 2, "event": "cleaned", "text": "cleaned & rinsed", "volume_ml": None,
         "outcome": "", "person": "Ada"},
    ],
}  # fmt: skip


def menu_entry(recipe="Sloe Fizz", **changes):
    return {
        "recipe": recipe, "glass": "tall glass", "volume_ml": 160.0, "abv_percent": 8.1, "ethanol_g": 10.26,
        "allergens": ["sulphites"], "seconds": 30.0, "missing": [], "may_contain": ["milk"], "standard_drinks": 1.026,
        "standard_drink": "New Zealand",
    } | changes  # fmt: skip


def answers_to_a_step(engine, target, *views):
    """The step runs well; `views` are the sequence before it and after it."""
    engine.answers["GET", "events"] = 200, [("operation", OPERATION)]
    engine.answers["POST", f"{target}/next"] = 202, OPERATION | {"outcome": None}
    engine.answers["GET", "operations/op1"] = 200, OPERATION
    engine.answers["POST", target] = 200, views[0]
    engine.answers["GET", "sequences"] = 200, tuple(views[1:])


# --- stock


def test_stock_says_what_is_left_and_how_sure_that_is(tundish, engine):
    engine.answers["GET", "stock"] = 200, (STOCK,)
    shown = tundish("stock")
    assert shown.exit_code == 0
    assert re.search(r"3 +ginger syrup +412 mL +12 mL +700 mL", shown.output)
    assert "past its time; perhaps 12 mL more: weigh it" in shown.output
    assert json.loads(tundish("stock", "--json").stdout) == [STOCK]


def test_figures_of_containers_are_sent_with_their_units(tundish, engine):
    change = {"now": STOCK, "booked_ml": 500.0}
    for what in ("refill", "weighing", "empty"):
        engine.answers["POST", f"stock/3/{what}"] = 200, change
    assert tundish("stock", "refill", "3", "1.5 L", "--opened", "2 days", "--tube-dry").exit_code == 0
    assert tundish("stock", "weigh", "3", "810", "--tare", "60").exit_code == 0
    shown = tundish("stock", "empty", "3")
    assert "Line 3: 412 mL of ginger syrup (give or take 12 mL); by the books it was 500 mL." in shown.output
    assert engine.bodies("stock/3/refill") == [
        {"line": 3, "container_ml": 1500.0, "opened_ago_s": 172_800.0, "tube_full": False}
    ]
    assert engine.bodies("stock/3/empty") == [{"line": 3, "tube_full": False}]
    assert engine.bodies("stock/3/weighing") == [{"line": 3, "grams": 810.0, "tare_g": 60.0, "u_grams": 1.0}]
    assert tundish("stock", "refill", "3", "750").exit_code == 2  # a bare number has no unit


# --- guided sequences


def test_without_a_terminal_a_sequence_shows_its_step_and_waits_for_next(tundish, engine):
    answers_to_a_step(engine, "sequences/close", CLOSE)
    shown = tundish("hygiene", "close", "--jug", "1 L", "--by", "Ada", "--cleaner", "2 %")
    assert shown.exit_code == 0
    assert "purge lines 1, 2 (0 of 2 lines done)" in shown.output
    assert "Hang the tubes in air." in shown.output
    assert "tundish hygiene close --next" in shown.output
    assert engine.bodies("sequences/close") == [{"jug_ml": 1000.0, "dry": False, "person": "Ada", "cleaner": "2 %"}]
    assert engine.bodies("sequences/close/next") == []


def test_next_carries_out_one_step_and_shows_the_one_after(tundish, engine):
    after = CLOSE | {"step": PURGE | {"kind": "clean", "lines": [1]}, "done_lines": [2]}
    answers_to_a_step(engine, "sequences/close", CLOSE, after)
    shown = tundish("hygiene", "close", "--next")
    assert shown.exit_code == 0
    assert len(engine.bodies("sequences/close/next")) == 1
    assert "purge: done" in shown.output
    assert "clean line 1 (1 of 2 lines done)" in shown.output


def test_next_does_not_cut_a_wait_short(tundish, engine):
    answers_to_a_step(engine, "sequences/close", CLOSE | {"step": WAIT})
    shown = tundish("hygiene", "close", "--next")
    assert shown.exit_code == 1
    assert "another 1.5 min" in shown.stderr
    assert engine.bodies("sequences/close/next") == []


def test_a_sequence_that_is_no_longer_listed_is_done(tundish, engine):
    answers_to_a_step(engine, "sequences/close", CLOSE)
    shown = tundish("hygiene", "close", "--next")
    assert "Every line is clean." in shown.output


def test_a_person_at_the_terminal_is_guided_from_step_to_step(tundish, engine, monkeypatch):
    answers_to_a_step(engine, "lines/3/change", CLOSE | {"kind": "change", "line": 3, "liquid": "perry", "lines": [3]})
    monkeypatch.setattr("controller.cli.lines.guided.is_a_person", lambda: True)
    shown = tundish("stock", "change", "3", "perry", "750 mL", typed="y\n")
    assert shown.exit_code == 0
    assert shown.output.count("Done?") == 1
    assert "Line 3 holds perry." in shown.output
    hung = {"line": 3, "liquid": "perry", "container_ml": 750.0, "opened_ago_s": 0.0}
    assert engine.bodies("lines/3/change") == [hung]
    left = tundish("stock", "change", "3", typed="n\n")
    assert left.exit_code == 1
    assert "Go on with: tundish stock change 3" in left.output


def test_a_sequence_can_be_dropped(tundish, engine):
    engine.answers["POST", "lines/3/change/drop"] = 204, None
    assert "stay as they are" in tundish("stock", "change", "3", "--drop").output


# --- hygiene


def test_hygiene_ends_with_1_when_something_is_overdue(tundish, engine):
    engine.answers["GET", "hygiene"] = 200, (LINE,)
    shown = tundish("hygiene")
    assert shown.exit_code == 1
    assert "OVERDUE  line 1: soda is 0.5 h past its time" in shown.output
    engine.answers["GET", "hygiene"] = 200, (LINE | {"overdue": []},)
    assert tundish("hygiene").exit_code == 0


def table_of(path):
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


class Page(HTMLParser):
    """Counts what an inspector would read, and finds what a page must not have."""

    def __init__(self, text):
        super().__init__()
        self.open, self.foreign, self.rows, self.texts = [], [], 0, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.open += [] if tag == "meta" else [tag]
        self.rows += tag == "tr"
        self.foreign += [tag] if tag in ("script", "link", "img") or dict(attrs).keys() & {"src", "href"} else []

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)


def test_the_record_is_written_as_a_table_and_as_a_page_that_stands_alone(tundish, engine, tmp_path):
    engine.answers["GET", "hygiene/record"] = 200, RECORD
    table, page = tmp_path / "record.csv", tmp_path / "record.html"
    assert tundish("hygiene", "record", "--csv", str(table), "--html", str(page)).exit_code == 0
    rows = table_of(table)
    assert [(row["line"], row["event"], row["volume_ml"], row["person"]) for row in rows] == [
        ("1", "rinse", "84.8", ""),
        ("2", "cleaned", "", "Ada"),
    ]
    assert datetime.fromisoformat(rows[0]["when"]).timestamp() == 1_789_000_100.0
    read = Page(page.read_text(encoding="utf-8"))
    assert (read.open, read.foreign) == ([], [])
    assert read.rows == 3 + 2 + 2  # how the lines stand, and each line's entries, with their headings
    text = " ".join(read.texts)
    assert "six-line <bench>" in text
    assert "cleaned & rinsed" in text
    assert "Ada" in text


def test_the_record_can_be_of_one_line_and_of_some_days(tundish, engine, tmp_path):
    since = datetime(2026, 9, 12).timestamp()
    engine.answers["GET", f"hygiene/record?since_wall_s={since}"] = 200, RECORD
    shown = tundish("hygiene", "record", "--line", "2", "--since", "2026-09-12")
    assert "Ada" in shown.output
    assert "rinse water" not in shown.output


# --- menu


def test_the_menu_shows_figures_offers_and_traces(tundish, engine):
    engine.answers["GET", "menu"] = 200, (
        menu_entry(),
        menu_entry(
            "Perry Spritz", missing=["perry: 40 mL short, 80 mL left"],
            offer={"without": ["ginger syrup"], "instead": [{"liquid": "perry", "by": "vermouth"}]},
        ),
        menu_entry("Supper Punch", optional=["ginger syrup"], substitutes=[{"liquid": "sloe gin", "by": "vermouth"}]),
    )  # fmt: skip
    shown = tundish("menu").output
    assert re.search(r"Sloe Fizz +tall glass +160 mL +30\.0 s +8\.1 % vol, 10\.3 g +1\.0 +sulphites", shown)
    assert "drinks (New Zealand)" in shown
    assert "not now: Perry Spritz\n  perry: 40 mL short, 80 mL left" in shown
    assert 'tundish pour "Perry Spritz" --without "ginger syrup" --instead "perry=vermouth"' in shown
    assert "Supper Punch can be had without ginger syrup, or with vermouth instead of sloe gin." in shown
    assert "every drink may hold traces of milk, sulphites" in shown


def test_the_menu_of_a_large_book_is_short_and_can_be_searched(tundish, engine):
    waits = [menu_entry(f"Perry {n}", missing=["perry: on no line"], absent=["perry"]) for n in range(12)]
    engine.answers["GET", "menu"] = 200, (menu_entry(liquids=["sloe gin", "soda"]), *waits)
    shown = tundish("menu").output
    assert shown.count("not now: Perry") == 8
    assert "not now: Perry 0: needs perry\n" in shown
    assert "and 4 more" in shown
    found = tundish("menu", "SLOE", "soda").output
    assert "Sloe Fizz" in found
    assert "Perry" not in found
    nothing = tundish("menu", "punch")
    assert nothing.exit_code == 1
    assert "no recipe has 'punch' in its name or among its liquids" in nothing.stderr


def test_doses_without_a_recipe_make_a_free_pour(tundish, engine):
    tundish("pour", "--dose", "20 mL line 3", "--dose", "1.5 cL Apple Juice", "--glass", "cup", "--key", "k")
    (asked,) = engine.bodies("pours")
    assert (asked["recipe"], asked["glass"]) == ("free pour", "cup")
    assert asked["doses"] == [
        {"volume_ml": 20.0, "liquid": None, "line": 3},
        {"volume_ml": 15.0, "liquid": "Apple Juice", "line": None},
    ]


@pytest.mark.parametrize("text", ["soda", "20 soda", "20 mL", "2 oz soda", "mL 20 soda"])
def test_a_dose_that_says_no_volume_or_no_source_is_refused_with_an_example(tundish, engine, text):
    shown = tundish("pour", "--dose", text, "--glass", "cup")
    assert shown.exit_code == 2
    assert engine.bodies("pours") == []
    assert "20 mL line 3" in shown.stderr or "is a mass" in shown.stderr


def test_a_drink_is_asked_for_as_the_options_say(tundish, engine):
    tundish(
        "pour", "Sloe Fizz", "--glass", "cup", "--volume", "120 mL", "--abv", "5 %", "--without", "ginger syrup",
        "--instead", "soda = apple juice", "--key", "k",
    )  # fmt: skip
    (asked,) = engine.bodies("pours")
    assert asked == {
        "recipe": "Sloe Fizz", "times": None, "key": "k", "glass": "cup", "volume_ml": 120.0, "abv_percent": 5.0,
        "without": ["ginger syrup"], "instead": [{"liquid": "soda", "by": "apple juice"}], "rest_of": None,
        "doses": [], "empty_glass": False, "last_alone": None,
    }  # fmt: skip
    assert tundish("pour", "Sloe Fizz", "--instead", "soda").exit_code == 2
    assert tundish("pour").exit_code == 2


def test_the_rest_of_a_drink_is_asked_for_by_its_operation(tundish, engine):
    engine.answers["GET", "operations/op1"] = 200, OPERATION | {"kind": "serve", "recipe": "Sloe Fizz"}
    tundish("pour", "--rest", "op1")
    (asked,) = engine.bodies("pours")
    assert (asked["recipe"], asked["rest_of"]) == ("Sloe Fizz", "op1")


# --- history


def served(number, **changes):
    return OPERATION | {
        "operation": f"op{number}", "kind": "serve", "recipe": "Sloe Fizz", "asked_wall_s": 1_789_000_000.0 + number,
        "changes": ["ginger syrup is left out, as asked."],
    } | changes  # fmt: skip


def test_history_is_asked_for_by_its_filters(tundish, engine):
    since, until = datetime(2026, 9, 12).timestamp(), datetime(2026, 9, 14).timestamp()
    query = f"limit=5&since_wall_s={since}&until_wall_s={until}&recipe=Sloe+Fizz&kind=serve&outcome=stopped&line=3"
    engine.answers["GET", f"operations?{query}"] = 200, (served(1),)
    shown = tundish(
        "history", "--limit", "5", "--since", "2026-09-12", "--until", "2026-09-13", "--recipe", "Sloe Fizz",
        "--kind", "serve", "--outcome", "stopped", "--line", "3",
    )  # fmt: skip
    assert shown.exit_code == 0
    assert "serve Sloe Fizz" in shown.output
    assert "ginger syrup is left out" in shown.output


def test_all_of_history_is_written_page_by_page(tundish, engine, tmp_path, monkeypatch):
    monkeypatch.setattr("controller.cli.records.history.PAGE", 2)
    refused = served(1, refused=[{"request": "op1", "rule": "glass", "reason": "no glass"}], lines=[], outcome=None)
    engine.answers["GET", "operations?limit=2"] = (
        200,
        (
            served(3),
            served(2),
        ),
    )
    engine.answers["GET", "operations?limit=2&before=op2"] = 200, (refused,)
    path = tmp_path / "history.csv"
    assert "3 operations" in tundish("history", "--csv", str(path)).output
    rows = table_of(path)
    assert [(row["operation"], row["ended"], row["rule"]) for row in rows] == [
        ("op3", "done", ""),
        ("op2", "done", ""),
        ("op1", "refused", "glass"),
    ]
    assert (rows[0]["liquid"], rows[0]["asked_ml"], rows[0]["poured_ml"]) == ("air", "20.00", "20.10")
    assert datetime.fromisoformat(rows[0]["when"]).timestamp() == 1_789_000_003.0


def test_usage_and_refusals_are_tables_of_their_own(tundish, engine, tmp_path):
    usage = {"evening": "2026-09-12", "liquid": "perry", "doses": 4, "asked_ml": 400.0, "poured_ml": 404.0,
             "other_ml": 17.0}  # fmt: skip
    engine.answers["GET", "usage?line=4"] = 200, (usage,)
    engine.answers["GET", "refusals"] = 200, ({"rule": "readiness", "refusals": 7},)
    shown = tundish("history", "--usage", "--line", "4")
    assert re.search(r"2026-09-12 +perry +4 +400 mL +404 mL +\+1\.0 % +17 mL", shown.output)
    assert re.search(r"readiness +7", tundish("history", "--refusals").output)
    path = tmp_path / "refusals.csv"
    tundish("history", "--refusals", "--csv", str(path))
    assert path.read_text().splitlines() == ["rule,refusals", "readiness,7"]
    assert tundish("history", "--usage", "--refusals").exit_code == 2


@pytest.mark.parametrize("words", [("--outcome", "fine"), ("--kind", "mix"), ("--since", "yesterday"), ("--line", "0")])
def test_filters_that_mean_nothing_are_wrong_usage(tundish, words):
    assert tundish("history", *words).exit_code == 2
