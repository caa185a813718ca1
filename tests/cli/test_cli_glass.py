"""tundish pour waits until the glass before is taken, and asks where no contact can tell."""

import sys
from typing import Any

import pytest

from controller.cli.client import EngineClient, RefusedByRules
from controller.cli.pour import glass
from controller.model.messages import InputReport, Refusal
from controller.model.views import Status


class Answers(EngineClient):
    """Says how the glass stands, one answer after the other; the last one stays."""

    def __init__(self, *seen: tuple[bool | None, bool | None]) -> None:
        self.seen, self.asked = list(seen), 0

    def get(self, address: str, kind: type[Any], /, **query: object) -> Any:
        present, fresh = self.seen[min(self.asked, len(self.seen) - 1)]
        self.asked += 1
        inputs = InputReport(stop_pressed=False, glass_present=present, fresh_glass=fresh)
        return Status(
            machine="m", book="b", guard_connected=True, state=None, fault=None, operation=None, lines=(), inputs=inputs
        )


@pytest.fixture(autouse=True)
def now(monkeypatch):
    """A clock that only sleeping moves."""
    at = [0.0]
    monkeypatch.setattr("time.monotonic", lambda: at[0])
    monkeypatch.setattr("time.sleep", lambda seconds: at.__setitem__(0, at[0] + seconds))
    return at


def refused(*rules: str) -> RefusedByRules:
    return RefusedByRules(tuple(Refusal(request="op1", rule=rule, reason="so.") for rule in rules))


def test_the_command_waits_for_another_glass_and_says_so_once(capsys, now):
    engine = Answers((True, False), (True, False), (False, False), (False, False), (True, True))
    assert glass.waited_for_glass(engine, refused("fresh_glass"), 60.0)
    assert now[0] == pytest.approx(4 * glass.LOOK_S)
    assert capsys.readouterr().err == "Take the finished glass and set an empty one down.\n"


def test_the_command_stops_waiting_in_time(now):
    assert not glass.waited_for_glass(Answers((True, False)), refused("fresh_glass"), 5.0)
    assert now[0] == pytest.approx(5.0, abs=glass.LOOK_S)


@pytest.mark.parametrize("rules", [("fresh_glass", "serving_volume"), ("state",)])
def test_other_refusals_are_not_waited_for(rules, now):
    assert not glass.waited_for_glass(Answers((True, True)), refused(*rules), 60.0)
    assert now[0] == 0.0


@pytest.mark.parametrize(
    ("is_terminal", "present", "answer", "asks"),
    [(True, None, True, 1), (True, None, False, 1), (True, True, True, 0), (False, None, True, 0)],
)
def test_a_person_is_asked_only_where_no_contact_can_tell(monkeypatch, is_terminal, present, answer, asks):
    asked: list[str] = []

    def confirmed(text: str) -> bool:
        asked.append(text)
        return bool(answer)

    monkeypatch.setattr(sys.stdin, "isatty", lambda: is_terminal, raising=False)
    monkeypatch.setattr("click.confirm", confirmed)
    assert glass.glass_is_seen(Answers((present, None))) is bool(asks and answer)
    assert len(asked) == asks
