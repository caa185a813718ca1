"""What a load cell and its converter can have, brought in and taken away again; all in g, by the true span and zero."""

import statistics

import pytest

from controller.bench.cell_truth import UNDISTURBED
from controller.bench.faults import FaultKind, InjectedFault
from controller.errors import Refused
from tests.bench.load_desk import LoadDesk


@pytest.fixture
def desk() -> LoadDesk:
    one = LoadDesk()
    one.plant.place_glass("tumbler")
    one.wait(1.0)
    return one


def bring_in(desk: LoadDesk, kind: FaultKind, amount: float = 0.0) -> InjectedFault:
    fault = InjectedFault(kind=kind, amount=amount)
    desk.plant.inject(fault)
    return fault


def test_swapped_signal_wires_turn_every_count_round(desk):
    right = desk.conversions(0.1)[-1].counts
    fault = bring_in(desk, "scale wrong sign")
    assert desk.conversions(0.1)[-1].counts == -right
    desk.plant.clear(fault)
    assert desk.conversions(0.1)[-1].counts == right


def test_a_broken_wire_drives_the_converter_to_the_end_of_its_24_bits(desk):
    bring_in(desk, "scale saturated")
    assert {one.counts for one in desk.conversions(0.5)} == {0x7FFFFF}


def test_a_converter_that_repeats_goes_on_numbering():
    desk = LoadDesk(UNDISTURBED)
    desk.conversions(0.5)
    bring_in(desk, "scale repeats")
    stuck = desk.conversions(0.5)
    assert len(stuck) == len({one.number for one in stuck}) == 40
    assert len({one.counts for one in stuck}) == 1


def test_a_silent_converter_says_nothing_until_it_is_well_again(desk):
    fault = bring_in(desk, "scale silent")
    assert desk.conversions(1.0) == []
    desk.plant.clear(fault)
    assert len(desk.conversions(1.0)) == pytest.approx(80, abs=1)


def test_an_overloaded_cell_comes_back_with_its_zero_off(desk):
    fault = bring_in(desk, "scale overloaded")
    assert desk.mean_g() == pytest.approx(280.0 + 1.2 * 5000.0, abs=0.01)
    desk.plant.clear(fault)
    assert desk.mean_g() == pytest.approx(280.0 + 0.001 * 5000.0, abs=0.01)


def test_a_span_off_by_a_fifth_of_a_per_cent_shows_that_of_the_load(desk):
    bring_in(desk, "scale span off")
    assert desk.mean_g() == pytest.approx(1.002 * 280.0, abs=0.01)
    bring_in(desk, "scale span off", -0.01)
    assert desk.mean_g() == pytest.approx(0.99 * 280.0, abs=0.01)


def test_a_drifting_scale_goes_its_amount_a_minute(desk):
    bring_in(desk, "scale drifts", 3.0)
    desk.wait(119.5)
    assert desk.mean_g() == pytest.approx(286.0, abs=0.03)


def test_a_cell_that_creeps_too_much_creeps_by_as_many_times():
    crept = []
    for amount in (None, 10.0):
        desk = LoadDesk(("creep",), creep=1e-4)
        if amount is not None:
            bring_in(desk, "scale creeps", amount)
        desk.plant.place_mass(4000.0)
        begun_g = desk.mean_g(0.5)
        desk.wait(3000.0)
        crept.append(desk.mean_g(0.5) - begun_g)
    assert crept[1] == pytest.approx(10 * crept[0], rel=0.01)


def test_what_the_faulty_cell_does_leaves_its_noise_as_it_was():
    noise = []
    for kind in (None, "scale wrong sign", "scale drifts"):
        desk = LoadDesk(("noise",))
        if kind is not None:
            bring_in(desk, kind, 1e-9 if kind == "scale drifts" else 0.0)
        noise.append(statistics.stdev(one.counts for one in desk.conversions(5.0)))
    assert noise == pytest.approx([noise[0]] * 3, rel=0.001)


def test_amounts_beyond_all_reason_are_refused(desk):
    with pytest.raises(Refused, match="a siphon of 20 mL/s"):
        desk.plant.inject(InjectedFault(kind="siphon", line=1, amount=20.0))
