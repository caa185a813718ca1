"""Numbers with a comma: understood, or refused in plain words, wherever people type them."""

import pytest

from controller.cli.calibrate.trials_file import read_trials
from controller.cli.options import decimal
from controller.errors import BadQuantity, FileProblems

REFUSED = 2


@pytest.mark.parametrize(
    ("typed", "number"), [("49,6", 49.6), ("0,125", 0.125), (" 50 ", 50.0), ("-1,5", -1.5), (".5", 0.5), ("1e2", 100.0)]
)
def test_a_comma_is_a_decimal_point(typed, number):
    assert decimal(typed) == number


@pytest.mark.parametrize("typed", ["1,234", "-12,500"])
def test_a_comma_that_may_set_off_thousands_is_refused_with_both_readings(typed):
    with pytest.raises(BadQuantity, match=r"may mean \d+\.\d{3} or \d+\. "):
        decimal(typed)


@pytest.mark.parametrize("typed", ["nan", "inf", "", "1,2,3", "1.234,5", "heavy"])
def test_text_that_is_no_number_is_refused(typed):
    with pytest.raises(BadQuantity, match="is not a number"):
        decimal(typed)


@pytest.mark.parametrize(
    "words",
    [
        ("plan", "Spritz", "--times", "1,500"),
        ("plan", "Spritz", "--times", "nan"),
        ("plan", "Spritz", "--volume", "1,5 cL"),
        ("plan", "Spritz", "--dose", "20,5 mL soda"),
        ("pour", "Spritz", "--abv", "6,5 %"),
        ("calibrate", "2", "--temperature", "20,125"),
        ("sag", "1", "2", "--for", "inf"),
        ("spot-check", "1", "--for", "8,1,2"),
        ("stock", "weigh", "1", "1,234"),
        ("stock", "refill", "1", "0,7 L"),
        ("assign", "1", "soda", "0,7 L"),
        ("jog", "1", "--for", "0,5 s"),
    ],
    ids=" ".join,
)
def test_an_option_refuses_in_plain_words_and_sends_nothing(tundish, engine, words):
    shown = tundish(*words)
    assert shown.exit_code == REFUSED
    assert any(word in shown.stderr for word in ("has a comma", "may mean", "is not a number")), shown.stderr
    assert engine.asked == []


def test_an_option_takes_a_decimal_comma(tundish, engine):
    tundish("stock", "weigh", "1", "812,5", "--tare", "410,25")
    assert [(one["grams"], one["tare_g"]) for one in engine.bodies("stock/1/weighing")] == [(812.5, 410.25)]


def written(folder, text):
    path = folder / "trials.csv"
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    "text", ["on_s,grams\n8,18.5\n1.5,3\n", "on_s;grams\n8;18,5\n1,5;3\n", "on_s; grams\n8; 18.5\n1.5; 3\n"]
)
def test_a_file_of_trials_may_have_decimal_commas_when_semicolons_separate(tmp_path, text):
    assert [(one.on_s, one.grams) for one in read_trials(written(tmp_path, text))] == [(8.0, 18.5), (1.5, 3.0)]


def test_decimal_commas_between_commas_are_refused_row_by_row(tmp_path):
    with pytest.raises(FileProblems) as refused:
        read_trials(written(tmp_path, "on_s,grams\n8,18,5\n1,5,3,0\n2,4.5\n"))
    assert [one.line for one in refused.value.problems] == [2, 3]
    assert all("Write decimals with a point" in one.text for one in refused.value.problems)


@pytest.mark.parametrize("words", [("prime", "1,2,3", "--jug"), ("calibrate", "2,6"), ("stock", "confirm", "1,2")])
def test_lines_joined_by_commas_are_refused_with_the_way_to_write_them(tundish, engine, words):
    shown = tundish(*words)
    assert shown.exit_code == REFUSED
    assert "such as 1 2 3" in shown.stderr
    assert engine.asked == []
