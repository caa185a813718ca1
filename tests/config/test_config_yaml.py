"""YAML itself: no silent guesses, one document, one meaning, bounded cost."""

import resource
import time

import pytest

from controller.config import load_book, load_profile
from controller.config.diagnostics import Notes
from controller.config.nodes import MAX_VALUES, Mapping, read_tree
from controller.errors import FileProblems
from tests.config.faulty_files import BOOK, HERE, PROFILE, assert_refused, book_problems, change, profile_problems

EVENT = BOOK.parent / "fete_event.yaml"
PROFILE_TEXT = PROFILE.read_text(encoding="utf-8")
BOOK_TEXT = BOOK.read_text(encoding="utf-8")


# Old text, new text (HERE marks the place of the problem), and what the refusal must say.
SURPRISES = [
    # What YAML 1.1 silently turns into something else.
    ("machine: six-line machine", f"machine: {HERE}no", ('"no"', "true or false", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}on", ("true or false", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}Y", ("true or false", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}017", ("a number", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}1:30", ("a number", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}1_000", ("a number", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}.inf", ("a number", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}2026-08-30", ("a date", "quotes")),
    ("machine: six-line machine", f"machine: {HERE}~", ("no value",)),
    ("machine: six-line machine", f"machine:{HERE}", ("no value",)),
    ("machine: six-line machine", f"machine: {HERE}null", ("no value",)),
    ("machine: six-line machine", f"machine: {HERE}=", ("quotes",)),
    ("gpio: 4\n", f"gpio: {HERE}017\n", ("line 2 gpio", "octal", "Write 17")),
    ("gpio: 4\n", f"gpio: {HERE}0o17\n", ("not a whole number",)),
    ("gpio: 4\n", f"gpio: {HERE}0x11\n", ("not a whole number",)),
    ("gpio: 4\n", f"gpio: {HERE}1:30\n", ("not a whole number",)),
    ("gpio: 4\n", f"gpio: {HERE}1_0\n", ("underscore", "Write 10")),
    ("gpio: 4\n", f"gpio: {HERE}4.0\n", ("not a whole number",)),
    ("gpio: 4\n", f"gpio: {HERE}yes\n", ("not a whole number",)),
    ("gpio: 4\n", f'gpio: {HERE}"4"\n', ("take the quotes away",)),
    ("gpio: 4\n", f"gpio: {HERE}.nan\n", ("not a finite number",)),
    ("gpio: 4\n", f"gpio: {HERE}99999999999999999999\n", ("not a whole number",)),
    ("serving_time: 60 s", f"serving_time: {HERE}1:30", ('"90 s"', '"90 min"')),
    ("serving_time: 60 s", f"serving_time: {HERE}60", ("no unit", '"60 s"', '"60 ms"')),
    ("serving_time: 60 s", f"serving_time: {HERE}.inf", ("caps serving_time", "not a finite number")),
    ("serving_time: 60 s", f"serving_time: {HERE}.nan s", ("not a finite number",)),
    ("serving_time: 60 s", f"serving_time: {HERE}-60 s", ("is negative",)),
    ("serving_time: 60 s", f"serving_time: {HERE}0 s", ("too little", "above 0 s")),
    ("serving_volume: 350 mL", f"serving_volume: {HERE}30 Ml", ("mega", '"30 ml"')),
    ("serving_volume: 350 mL", f"serving_volume: {HERE}[350 mL]", ("a list stands where a volume", '"350 mL"')),
    ("serving_volume: 350 mL", f"serving_volume: {HERE}{{mL: 350}}", ("a mapping stands where a volume",)),
    # Tags, anchors, merge keys, documents.
    ("gpio: 4\n", f"gpio: {HERE}!!int 4\n", ('"!!int"', "no meaning")),
    ("gpio: 4\n", f"gpio: {HERE}!!python/object:os.system 4\n", ("no meaning",)),
    ("machine: six-line machine", f"machine: {HERE}!secret x", ('"!secret"',)),
    ("pump: *syrup_pump", f"pump: {HERE}*syrup", ("no anchor &syrup",)),
    ("pump: &juice_pump\n", f"pump: &juice_pump\n      <<: {HERE}*juice_pump\n", ("inside its own anchor",)),
    ("pump: &juice_pump\n", f"pump: &juice_pump\n      {HERE}<<: 5\n", ('"<<" takes an alias',)),
    ("pump: &syrup_pump\n", f"pump: {HERE}&juice_pump\n", ("anchor &juice_pump is used twice",)),
    ("\nfunnel:", f"\n{HERE}---\nfunnel:", ("second document",)),
    # Structure.
    ("machine: six-line machine", f"machine: six-line machine\n{HERE}machine: other", ("stands twice", "in line 10")),
    ("machine: six-line machine", f"machine: m\n{HERE}[a, b]: c", ("a key must be a word",)),
    ("machine: six-line machine", f"machine: m\n{HERE}colour: red", ('"colour" is not known', "Known: machine, board")),
    ("  lamps: 0.15 A", f"  {HERE}lamp: 0.15 A", ('"lamp" is not known', 'Did you mean "lamps"?')),
    ("  rated: 5 A", f"  {HERE}rated_a: 5 A", ('Did you mean "rated"?',)),
    ("supply:\n", f"supply: {HERE}none\nlost:\n", ('"none" stands where a mapping',)),
    ("  stop: {gpio: 17,", f"  stop: {HERE}{{gpoi: 17,", ('"gpio" is missing',)),
    ("lines:\n", f"lines: {HERE}{{line: 1}}\nother:\n", ("a mapping stands where a list",)),
    ("machine: six-line machine", f"machine: a{HERE}: b: c", ("second colon",)),
    ("  lamps: 0.15 A", f"{HERE}\tlamps: 0.15 A", ("tab", "spaces")),
    ("  lamps: 0.15 A", f"   {HERE}lamps: 0.15 A", ("line up", "indentation")),
    ("machine: six-line machine", f"machine: {HERE}@six", ("no value can begin with this",)),
    ("  lamps: 0.15 A", f"  {HERE}lamps\n\n", ("a key without its colon",)),
    ("glass: {gpio: 27, ", f"glass: {{gpio: 27\n  contact{HERE}: 5, ", ("a bracket (opened in line",)),
    ("machine: six-line machine", f'machine: {HERE}"six\\nlines"', ("one line of printable",)),
    ("machine: six-line machine", f"machine: {HERE}{'x' * 61}", ("61 characters", "the most is 60")),
    ("active_level: low", f"active_level: {HERE}Low", ("not one of", "Did you mean low?")),
    ("contact: normally_closed", f"contact: {HERE}normally closed", ("Did you mean normally_closed?",)),
]


@pytest.mark.parametrize(("old", "new", "parts"), SURPRISES)
def test_refuses_what_can_be_read_in_two_ways(tmp_path, old, new, parts):
    changed = change(PROFILE_TEXT, old, new)
    assert_refused(profile_problems(tmp_path, changed.text), changed, *parts)


@pytest.mark.parametrize("text", ["", "\n\n", "# only a comment\n", "---\n"])
def test_an_empty_file_is_refused(tmp_path, text):
    (problem,) = profile_problems(tmp_path, text)
    assert "empty" in problem.text or "no value" in problem.text


@pytest.mark.parametrize("text", ["x", "- a\n- b\n", "5", '"quoted"'])
def test_a_file_must_be_a_mapping(tmp_path, text):
    (problem,) = profile_problems(tmp_path, text)
    assert "a mapping (key: value) belongs" in problem.text


def test_a_missing_cap_is_refused_at_the_caps(tmp_path):
    changed = change(PROFILE_TEXT, "caps:\n  serving_volume: 350 mL\n  ", f"caps:\n  {HERE}")
    problems = profile_problems(tmp_path, changed.text)
    assert_refused(problems, changed, 'caps: the key "serving_volume" is missing: a volume such as "350 mL".')
    assert len(problems) == 1


def test_quoted_words_are_texts(tmp_path):
    for word in ("no", "017", "1:30", "2026-08-30"):
        assert profile_problems(tmp_path, PROFILE_TEXT.replace("six-line machine", f'"{word}"')) == []


def test_merge_keys_give_defaults_and_what_stands_there_wins(tmp_path):
    text = PROFILE_TEXT.replace("    pump: *syrup_pump\n", "    pump: {<<: *syrup_pump, rotation: counterclockwise}\n")
    assert text != PROFILE_TEXT
    assert profile_problems(tmp_path, text) == []


def test_bytes_that_are_not_utf_8_are_refused_with_their_place(tmp_path):
    path = tmp_path / "profile.yaml"
    path.write_bytes(b"machine: a\nboard: \xff\xfe\n")
    notes = _problems_of_file(path)
    assert (notes[0].line, notes[0].column) == (2, 8)
    assert "UTF-8" in notes[0].text


def test_control_characters_are_refused_with_their_place(tmp_path):
    (problem,) = profile_problems(tmp_path, "machine: a\nboard: \x07\n")
    assert (problem.line, problem.column) == (2, 8)
    assert r"'\x07'" in problem.text


@pytest.mark.parametrize("name", ["missing.yaml", ".", "nul\0.yaml"])
def test_what_cannot_be_read_is_refused(tmp_path, name):
    problems = _problems_of_file(tmp_path / name)
    assert len(problems) == 1
    assert str(tmp_path) in problems[0].file


def test_files_over_one_mebibyte_are_refused_unread(tmp_path):
    path = tmp_path / "big.yaml"
    path.write_bytes(b"#" * (1024 * 1024) + b"\n")
    (problem,) = _problems_of_file(path)
    assert "larger than 1 MiB" in problem.text


def _problems_of_file(path):
    from controller.config import load_profile
    from controller.errors import FileProblems

    with pytest.raises(FileProblems) as error:
        load_profile(path)
    return error.value.problems


def _laughs(levels):
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, levels)]
    return "\n".join(rows)


def _merged_laughs(levels):
    rows = ["a0: &a0 {k0: x}"]
    rows += [f"a{n}: &a{n} {{<<: [{', '.join([f'*a{n - 1}'] * 10)}], k{n}: x}}" for n in range(1, levels)]
    return "\n".join(rows)


# Each would take minutes or gigabytes if it were expanded, or nested in recursion.
HOSTILE = {
    "aliases of aliases": (_laughs(9), "with its aliases written out"),
    "merges of merges": (_merged_laughs(9), "with its aliases written out"),
    "deep flow": ("[" * 200_000, "nested more than 20 deep"),
    "deep block": ("- " * 200_000, "nested more than 20 deep"),
    "deep keys": ("? " * 200_000, "nested more than 20 deep"),
    "many values": ("- x\n" * 200_000, f"more than {MAX_VALUES} values"),
    "huge digits": (f"%YAML {'9' * 10_000}.1\n---\na: b\n", "malformed"),
    "huge escape": ('a: "\\UFFFFFFFF"\n', "malformed"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_cost_little(name):
    text, part = HOSTILE[name]
    notes = Notes(file="hostile.yaml")
    before_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start_s = time.process_time()
    assert read_tree(text, notes) is None
    assert part in notes.problems[0].text
    # 1 s of processor time is typical for 50 000 values; anything that expands takes hours.
    assert time.process_time() - start_s < 20.0
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kib < 100 * 1024


def test_a_file_within_the_bounds_is_read_whole():
    notes = Notes(file="large.yaml")
    tree = read_tree("".join(f"k{n}: v\n" for n in range(5000)), notes)
    assert isinstance(tree, Mapping)
    assert len(tree.pairs) == 5000
    assert notes.problems == []


def test_a_reused_name_in_a_book_is_pointed_at(tmp_path):
    changed = change(BOOK_TEXT, "  - recipe: Lime Soda", f"  - recipe: {HERE}hedgerow cup")
    assert_refused(book_problems(tmp_path, changed.text), changed, "stands twice", "in line")


@pytest.mark.parametrize(("given", "kind"), [("book", "profile"), ("event", "book"), ("profile", "book")])
def test_a_file_of_another_kind_is_named_as_such_and_as_nothing_else(given, kind):
    paths = {"profile": PROFILE, "book": BOOK, "event": EVENT}
    with pytest.raises(FileProblems) as error:
        load_profile(paths[given]) if kind == "profile" else load_book(paths[given], None)
    (problem,) = error.value.problems
    assert f"this is no {kind}: by its keys it is the file of a" in problem.text
    assert problem.text.endswith(f" {given}.")
