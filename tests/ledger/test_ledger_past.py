"""Thirty thousand servings: every question gets the right answer, by an index."""

from collections import Counter
from collections.abc import Callable
from functools import partial
from itertools import pairwise

import pytest

from controller.ledger.history import ROWS
from controller.ledger.records import Intent, evening_of
from controller.ledger.store import Ledger
from controller.model.messages import Delivery, Refusal
from controller.model.requests import HistoryQuery, PastQuery, UsageQuery
from controller.model.states import OperationKind, Outcome
from tests.ledger.full_ledger import LIQUIDS, RECIPES, RULES, fill
from tests.ledger.ledger_parts import all_of, statements

COUNT = 30_000


@pytest.fixture(scope="module")
def full():
    ledger, known = fill(":memory:", COUNT)
    yield ledger, known
    ledger.close()


def middle(known):
    return known[COUNT // 2]


def questions(known):
    name, *_, at_s, _ = middle(known)
    day = {"since_wall_s": at_s, "until_wall_s": at_s + 86_400.0}
    return [
        {},
        {"recipe": "Hedgerow Cup"},
        {"recipe": "no such drink"},
        {"kind": OperationKind.RINSE},
        {"kind": OperationKind.CLEAN},
        {"kind": OperationKind.SERVE},
        {"outcome": Outcome.STOPPED},
        {"outcome": Outcome.FAULTED},
        {"outcome": Outcome.DONE},
        {"outcome": "refused"},
        {"line": 3},
        {"line": 9},
        day,
        {"recipe": "Hedgerow Cup", **day},
        {"line": 3, **day},
        {"kind": OperationKind.RINSE, "outcome": Outcome.STOPPED},
        {"recipe": "Hedgerow Cup", "outcome": Outcome.FAULTED},
        {"line": 3, "recipe": "Hedgerow Cup", "outcome": Outcome.STOPPED},
        {"line": 3, "kind": OperationKind.RINSE},
        {"before": name},
        {"before": name, "line": 2},
    ]


def by_hand(known, question):
    """The answer worked out from the list of all operations."""
    end = [one[0] for one in known].index(question["before"]) if "before" in question else COUNT
    found = [
        name
        for name, kind, outcome, recipe, at_s, lines in known[:end]
        if kind == question.get("kind", kind)
        and outcome == question.get("outcome", outcome)
        and recipe == question.get("recipe", recipe)
        and question.get("since_wall_s", 0.0) <= at_s < question.get("until_wall_s", 1e12)
        and ("line" not in question or question["line"] in lines)
    ]
    return found[::-1]


@pytest.mark.parametrize("number", range(21))
def test_a_page_holds_what_is_wanted(full, number):
    ledger, known = full
    question = questions(known)[number]
    wanted = HistoryQuery(**question, limit=40)
    assert [one.operation for one in all_of(ledger.past.page(wanted))] == by_hand(known, question)[:40]


def test_pages_follow_each_other_without_gap_or_overlap(full):
    ledger, known = full
    seen, before = [], None
    for _ in range(5):
        page = all_of(ledger.past.page(HistoryQuery(line=5, before=before, limit=100)))
        seen += [one.operation for one in page]
        before = seen[-1]
    assert seen == by_hand(known, {"line": 5})[:500]


def test_usage_and_refusals_add_up_to_what_was_booked(full):
    ledger, known = full
    usage = all_of(ledger.past.usage(UsageQuery()))
    doses = sum(len(lines) for _, kind, outcome, _, _, lines in known if (kind, outcome) == ("serve", "done"))
    other = sum(len(lines) for _, kind, outcome, _, _, lines in known if (kind, outcome) != ("serve", "done"))
    assert sum(one.doses for one in usage) == doses
    assert sum(one.asked_ml for one in usage) == pytest.approx(30.0 * doses)
    assert sum(one.poured_ml for one in usage) == pytest.approx(30.3 * doses)
    assert sum(one.other_ml for one in usage) == pytest.approx(30.3 * other)
    assert all(one.evening <= then.evening for one, then in pairwise(usage))
    within_s = middle(known)[4]
    evening = evening_of(within_s)
    query = UsageQuery(since_wall_s=within_s, until_wall_s=within_s + 1.0, liquid="soda", recipe=RECIPES[0])
    (row,) = all_of(ledger.past.usage(query))
    assert row.doses == sum(
        1
        for _, _, outcome, recipe, at_s, lines in known
        if outcome == "done" and recipe == RECIPES[0] and 6 in lines and evening_of(at_s) == evening
    )
    counts: Counter[str] = sum(ledger.past.refusals(PastQuery()), Counter())
    assert set(counts) == set(RULES)
    assert counts.total() == COUNT // 50


def test_a_lines_throughput_is_found_from_its_moment_on(full):
    ledger, known = full
    at_s = middle(known)[4]
    times = sum(1 for one in known if 2 in one[5] and one[4] >= at_s)
    assert ledger.past.throughput(2, at_s) == pytest.approx((30.3 * times, 6.0 * times))


def test_no_statement_looks_at_more_than_a_part(full):
    """The engine's loop stands still for one statement at a time: each is bounded, whatever is asked."""
    ledger, known = full
    name, *_, at_s, _ = middle(known)

    def page(query: HistoryQuery) -> object:
        return all_of(ledger.past.page(query))

    asked: list[Callable[[], object]] = [partial(page, HistoryQuery(**one, limit=1000)) for one in questions(known)]
    asked += [partial(ledger.past.throughput, 3, at_s + 7000 * n) for n in range(-3, 4)]
    asked += [
        lambda: all_of(ledger.past.usage(UsageQuery())),
        lambda: all_of(ledger.past.usage(UsageQuery(liquid="soda", line=6))),
        lambda: list(ledger.past.refusals(PastQuery())),
        lambda: all_of(ledger.notes.between(0.0, 1e12)),
        lambda: all_of(ledger.notes.wet_runs(0.0, 1e12)),
        lambda: ledger.past.throughput(3, 0.0),
        lambda: ledger.entry(name),
    ]
    for number, ask in enumerate(asked):
        with statements(ledger) as found:
            ask()
        assert found, number
        # a step takes a tenth of a microsecond here: 20,000 are 2 ms
        assert max(steps for steps, _ in found) <= 20_000, number
        assert max(rows for _, rows in found) <= ROWS, number


def test_the_hygiene_record_has_every_wet_run_of_its_time(full):
    ledger, known = full
    at_s = middle(known)[4]
    expected = {(at, line) for _, kind, _, _, at, lines in known for line in lines if kind == "rinse" and at >= at_s}
    runs = all_of(ledger.notes.wet_runs(at_s, 1e12))
    assert {(one.wall_s, one.line) for one in runs} == expected
    assert len(runs) == len(expected)


@pytest.mark.parametrize(
    ("local", "evening"),
    [
        ((2026, 9, 12, 18, 0), "2026-09-12"),
        ((2026, 9, 13, 0, 30), "2026-09-12"),
        ((2026, 9, 13, 5, 59), "2026-09-12"),
        ((2026, 9, 13, 6, 0), "2026-09-13"),
    ],
)
def test_an_evening_ends_in_the_morning(local, evening):
    from datetime import datetime

    assert evening_of(datetime(*local).timestamp()) == evening


def test_usage_is_kept_up_with_every_end_and_forgets_nothing():
    ledger = Ledger(":memory:")
    at_s = 1_789_000_000.0
    for number, (kind, outcome, line) in enumerate(
        [
            (OperationKind.SERVE, Outcome.DONE, 1),
            (OperationKind.SERVE, Outcome.DONE, 1),
            (OperationKind.SERVE, Outcome.STOPPED, 1),
            (OperationKind.PRIME, Outcome.DONE, 1),
            (OperationKind.RINSE, Outcome.DONE, 2),
        ]
    ):
        recipe = "Orchard Fizz" if kind is OperationKind.SERVE else None
        ledger.begin(Intent(operation=f"a{number}", kind=kind, asked_wall_s=at_s, recipe=recipe))
        liquid = "rinse water" if kind is OperationKind.RINSE else LIQUIDS[line - 1]
        one = Delivery(line=line, liquid=liquid, asked_ml=20.0, delivered_ml=19.0, worst_ml=21.0, on_s=4.0)
        ledger.end(f"a{number}", outcome, "", [one], wall_s=at_s + 9.0)
    (usage,) = all_of(ledger.past.usage(UsageQuery()))
    assert (usage.liquid, usage.doses, usage.asked_ml, usage.poured_ml, usage.other_ml) == (
        "apple juice",
        2,
        40.0,
        38.0,
        38.0,
    )
    assert all_of(ledger.past.usage(UsageQuery(recipe="Orchard Fizz")))[0].other_ml == 19.0
    ledger.close()


def test_a_refusal_before_the_guard_is_on_record_like_the_guards_own():
    ledger = Ledger(":memory:")
    intent = Intent(operation="a1", kind=OperationKind.SERVE, asked_wall_s=1000.0, recipe="Orchard Fizz")
    refusal = Refusal(request="a1", rule="readiness", reason="soda: 20 mL short", remedy="Hang a full one.")
    ledger.refused(intent, refusal)
    entry = ledger.entry("a1")
    assert entry is not None
    assert (entry.outcome, entry.refusals) == ("refused", (refusal,))
    assert not ledger.end("a1", Outcome.DONE, "", [], wall_s=1001.0)
    assert ledger.past.is_rest_poured("a1") is False
    ledger.close()
