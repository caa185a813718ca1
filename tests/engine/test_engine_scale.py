"""Zero and span of the scale, from the person at the machine to the guard's journal, on the bench's load cell."""

import pytest
from msgspec.structs import replace

from controller.bench.faults import InjectedFault
from controller.errors import Refused
from controller.guard.journal_operations import operations_in
from controller.ledger.journal import MemoryJournal
from controller.model.scale import Scale, ScaleSetting, Span
from controller.model.scale_views import SpanRequest, ZeroRequest
from controller.rehearsal.virtual_machine import VirtualMachine
from tests.shipped import shipped

BARE, BOOK = shipped("bench_six_line", "orchard_fete")
SCALE = Scale(converter="bench", capacity_g=5000.0, readings_per_s=80, platform_g=350.0, output_mv_v=1.0)
SETTLES_S = 2.0  # and no longer at once: longer rests are jumped over


class Desk:
    """A rehearsed machine with a scale, and who sets it up."""

    def __init__(self, *, journal: MemoryJournal | None = None) -> None:
        self.machine = VirtualMachine(replace(BARE, scale=SCALE), BOOK, seed=7, journal=journal)
        self.rest()

    def rest(self) -> None:
        self.rested_s = self.machine.clock.now_s()
        for _ in range(5):
            self.machine.pass_time(SETTLES_S)

    def load(self, grams: float) -> None:
        self.machine.plant.place_mass(grams)
        self.rest()

    @property
    def scale(self):
        return self.machine.engine.scale

    def set_up(self, mass_g: float = 1000.0):
        self.load(0.0)
        self.scale.zero(ZeroRequest(sure=True), self.rested_s)
        self.load(mass_g)
        view = self.scale.span(SpanRequest(mass_g=mass_g, tolerance_g=0.05), self.rested_s)
        self.rest()
        return view


@pytest.fixture
def desk():
    desk = Desk()
    yield desk
    desk.machine.close()


def refusal(ask) -> str:
    with pytest.raises(Refused) as no:
        ask()
    return no.value.rule


def test_a_scale_that_was_set_up_weighs_other_masses_within_what_it_says(desk: Desk):
    assert desk.scale.view().doubt == "unspanned"
    span = desk.set_up()
    assert span.u_percent < 0.1
    for mass_g in (300.0, 500.0, 1500.0):
        desk.load(mass_g)
        view = desk.scale.view()
        assert abs(view.load_g - mass_g) <= 2.5 * view.u_load_g, (mass_g, view)
        assert (view.doubt, view.findings) == ("", ())
    assert desk.scale.view().readings_per_s == pytest.approx(5.0, rel=0.1)


def test_a_load_that_moves_is_neither_zero_nor_mass(desk: Desk):
    desk.machine.plant.place_mass(800.0)
    desk.machine.pass_time(2.0)
    assert refusal(lambda: desk.scale.zero(ZeroRequest(), desk.rested_s)) == "scale_restless"


def test_what_stood_there_before_the_request_is_no_part_of_the_answer(desk: Desk):
    """At rest readings come once a second: those of the mass before would make a fine mean of their own."""
    desk.set_up(1000.0)
    asked_s = desk.machine.clock.now_s()
    desk.machine.plant.place_mass(0.0)
    zero = ZeroRequest(sure=True)
    for _ in range(4):
        assert refusal(lambda: desk.scale.zero(zero, asked_s)) in ("scale_doubtful", "scale_restless")
        desk.machine.pass_time(0.5)
    for _ in range(3):
        desk.machine.pass_time(2.0)
    desk.scale.zero(zero, asked_s + 1.0)
    desk.rest()
    assert abs(desk.scale.view().load_g) < 0.3


def test_a_span_wants_a_fresh_zero_and_a_mass_of_some_weight(desk: Desk):
    assert refusal(lambda: desk.scale.span(SpanRequest(mass_g=500.0, tolerance_g=0.1), desk.rested_s)) == "scale_zero"
    desk.scale.zero(ZeroRequest(), desk.rested_s)
    desk.machine.pass_time(1.0)
    assert refusal(lambda: desk.scale.span(SpanRequest(mass_g=20.0, tolerance_g=0.1), desk.rested_s)) == "scale_mass"
    assert refusal(lambda: desk.scale.span(SpanRequest(mass_g=4900.0, tolerance_g=0.1), desk.rested_s)) == "scale_mass"
    assert refusal(lambda: desk.scale.span(SpanRequest(mass_g=500.0, tolerance_g=0.1), desk.rested_s)) == "scale_mass"
    desk.machine.pass_time(1000.0)
    desk.rest()
    assert refusal(lambda: desk.scale.span(SpanRequest(mass_g=500.0, tolerance_g=0.1), desk.rested_s)) == "scale_zero"


def test_a_glass_that_stands_there_is_no_drift_of_the_zero(desk: Desk):
    desk.set_up()
    desk.load(400.0)
    assert refusal(lambda: desk.scale.zero(ZeroRequest(), desk.rested_s)) == "scale_zero"
    desk.scale.zero(ZeroRequest(sure=True), desk.rested_s)
    desk.rest()
    assert abs(desk.scale.view().load_g) < 1.0


def test_swapped_signal_wires_are_found_with_the_first_mass(desk: Desk):
    desk.machine.plant.inject(InjectedFault(kind="scale wrong sign"))
    desk.load(0.0)
    desk.scale.zero(ZeroRequest(), desk.rested_s)
    desk.load(500.0)
    assert refusal(lambda: desk.scale.span(SpanRequest(mass_g=500.0, tolerance_g=0.1), desk.rested_s)) == "scale_sign"


@pytest.mark.parametrize(
    ("kind", "doubt"), [("scale silent", "silent"), ("scale saturated", "saturated"), ("scale repeats", "repeats")]
)
def test_a_converter_that_fails_is_named_and_sets_up_nothing(desk: Desk, kind, doubt: str):
    desk.set_up()
    desk.machine.plant.inject(InjectedFault(kind=kind))
    desk.rest()
    view = desk.scale.view()
    assert view.doubt == doubt
    assert view.findings
    assert refusal(lambda: desk.scale.zero(ZeroRequest(sure=True), desk.rested_s)) == "scale_doubtful"
    desk.machine.plant.clear(InjectedFault(kind=kind))
    desk.rest()
    assert desk.scale.view().doubt == ""


def test_zero_and_span_outlast_the_guard(desk: Desk):
    desk.set_up()
    before = desk.scale.in_force
    desk.machine.restart(BOOK)
    assert desk.scale.in_force == before
    assert before.span is not None


def test_zero_and_span_stand_in_the_journal_in_words():
    journal = MemoryJournal()
    desk = Desk(journal=journal)
    desk.set_up()
    told = [one.text for one in operations_in(journal.read()).happenings if one.text.startswith("scale set")]
    desk.machine.close()
    assert len(told) == 2
    assert told[0].endswith("no span")
    assert "counts/g +- " in told[1]
    assert told[1].endswith("% with 1000 g")


@pytest.mark.parametrize(
    "setting",
    [
        ScaleSetting(zero_counts=1e9),
        ScaleSetting(span=Span(counts_per_g=-430.0, u_fraction=1e-3, mass_g=500.0, wall_s=0.0)),
        ScaleSetting(span=Span(counts_per_g=0.01, u_fraction=1e-3, mass_g=500.0, wall_s=0.0)),
        ScaleSetting(span=Span(counts_per_g=430.0, u_fraction=0.2, mass_g=500.0, wall_s=0.0)),
        ScaleSetting(span=Span(counts_per_g=430.0, u_fraction=1e-3, mass_g=9000.0, wall_s=0.0)),
        ScaleSetting(span=Span(counts_per_g=float("nan"), u_fraction=1e-3, mass_g=500.0, wall_s=0.0)),
    ],
)
def test_the_guard_takes_no_setting_that_no_scale_has(desk: Desk, setting: ScaleSetting):
    before = desk.scale.in_force
    desk.machine.take_scale(setting)
    desk.machine.pass_time(1.0)
    assert desk.machine.engine.answer("take_scale") is not None
    assert desk.scale.in_force == before


def test_a_machine_without_a_scale_says_so():
    machine = VirtualMachine(BARE, BOOK, seed=7)
    try:
        assert refusal(machine.engine.scale.view) == "scale"
    finally:
        machine.close()
