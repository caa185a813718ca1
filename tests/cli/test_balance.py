"""A laboratory balance as the manual has it: "MT-SICS Interface Command, Reference Manual", 11781363L, level 0."""

import pytest

from controller.cli.calibrate import balance
from controller.cli.calibrate.balance import Balance
from controller.errors import TundishError


class Played:
    """A serial line with a balance that gives these answers to `S`, one after the other."""

    def __init__(self, *answers: str, greets: bool = True) -> None:
        self.answers, self.greets = list(answers), greets
        self.asked: list[bytes] = []
        self.unread: list[bytes] = []

    def write(self, data: bytes) -> int:
        self.asked.append(data)
        if data == b"@\r\n" and self.greets:
            self.unread.append(b'I4 A "0123456789"\r\n')
        if data == b"S\r\n" and self.answers:
            self.unread += [one.encode() + b"\r\n" for one in self.answers.pop(0).split("|")]
        return len(data)

    def read_until(self, expected: bytes = b"\n", size: int | None = None) -> bytes:
        return self.unread.pop(0) if self.unread else b""

    def close(self) -> None:
        self.asked.append(b"closed")


@pytest.fixture(autouse=True)
def in_no_time(monkeypatch):
    monkeypatch.setattr(balance, "STABLE_S", 0.01)
    monkeypatch.setattr(balance, "START_S", 0.01)


@pytest.mark.parametrize(
    ("answer", "grams"),
    [
        ("S S     100.00 g", 100.0),  # the manual's own example
        ("S S      -0.02 g", -0.02),
        ("S S    0.25000 kg", 250.0),
        ("S S    1234.56 mg", 1.23456),
        ("I4 A \"0123456789\"|S S       7.5 g", 7.5),  # what it says unasked after power-on is left aside
    ],
)  # fmt: skip
def test_a_stable_weight_is_read_with_its_unit(answer: str, grams: float):
    line = Played(answer)
    assert Balance(line).grams() == pytest.approx(grams)
    assert line.asked == [b"@\r\n", b"S\r\n"]


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("S I", "does not come to rest"),
        ("S +", "more than it carries"),
        ("S -", "too little"),
        ("S S Error 5b g", "answers"),  # a fault inside the balance comes in the value's place
        ("S S   12.3 lb", "answers"),
        ("ES", "does not take"),
        ("", "does not answer"),
    ],
)
def test_text_that_is_no_weight_is_reported(answer: str, said: str):
    with pytest.raises(TundishError, match=said):
        Balance(Played(answer)).grams()


def test_a_serial_line_on_which_nobody_answers_is_reported():
    with pytest.raises(TundishError, match="look at cable and settings"):
        Balance(Played(greets=False))


def test_the_jar_is_weighed_empty_and_full(monkeypatch):
    monkeypatch.setattr("click.prompt", lambda *_, **__: "")
    with Balance(line := Played("S S 210.50 g", "S S 250.75 g")) as one:
        one.before(8.0)
        assert one.after(40.0) == pytest.approx(40.25)
    assert line.asked[-1] == b"closed"
