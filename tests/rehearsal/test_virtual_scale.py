"""The bench's load cell reaches the guard in virtual time as the scale's process brings it in real time."""

import pytest
from msgspec.structs import replace

from controller.bench.faults import InjectedFault
from controller.model.messages import Event, Weighed
from controller.model.requests import TrialRequest
from controller.model.scale import Reading, Scale
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all, span_scale
from tests.shipped import shipped

BARE, BOOK = shipped("bench_six_line", "orchard_fete")
MASS_KG = 1e-3


class Weighing:
    """A machine of this many readings a second, and all that its guard made of them."""

    def __init__(self, readings_per_s: int) -> None:
        self.readings: list[Reading] = []
        profile = replace(BARE, scale=Scale(converter="bench", capacity_g=5000.0, readings_per_s=readings_per_s))
        self.machine = VirtualMachine(profile, BOOK, seed=5, listen=self._hear)

    def _hear(self, event: Event) -> None:
        if isinstance(event, Weighed):
            self.readings += event.readings

    def heard(self, seconds: float) -> list[Reading]:
        self.readings = []
        self.machine.pass_time(seconds)
        return self.readings


@pytest.fixture(scope="module", params=[10, 80])
def weighing(request):
    made = Weighing(request.param)
    span_scale(made.machine)
    yield made, request.param
    made.machine.close()


def test_at_rest_five_readings_a_second_show_what_stands_there(weighing):
    made, _ = weighing
    made.machine.plant.place_mass(500.0)
    made.machine.pass_time(3.0)
    heard = made.heard(3.0)
    made.machine.plant.place_mass(0.0)
    assert 10 <= len(heard) <= 16
    assert {one.doubt for one in heard} == {""}
    # 0.05 % of full scale for the bow between 0, 0.5 and 1 kg, drift within the minute, four times the noise
    assert all(one.load_g == pytest.approx(500.0, abs=1.5) for one in heard)


def test_a_run_is_weighed_at_the_converters_full_pace_and_numbered_without_gaps(weighing):
    made, per_s = weighing
    machine = made.machine
    prime_all(machine, (1,))
    machine.plant.place_glass(brim_ml=2000.0)
    machine.pass_time(4.0)
    before_g, before_ml = made.heard(2.0)[-1].load_g, machine.plant.true_delivered_ml(1)
    made.readings = []
    machine.finish(machine.engine.trial(TrialRequest(lines=(1,), on_s=10.0, jug=True)).operation)
    running = made.readings
    machine.pass_time(4.0)
    after_g = made.heard(2.0)[-1].load_g
    poured_ml = machine.plant.true_delivered_ml(1) - before_ml
    machine.plant.lift_glass()
    density = machine.plant.truth.fluids[BOOK.lines[0].liquid].density_kg_m3 * MASS_KG
    assert len(running) >= 10.0 * per_s
    assert [one.number for one in running] == list(range(running[0].number, running[0].number + len(running)))
    assert after_g - before_g == pytest.approx(poured_ml * density, abs=0.02 * poured_ml)


def test_a_silent_converter_is_reported_and_a_long_rest_is_not(weighing):
    made, _ = weighing
    assert {one.doubt for one in made.heard(3600.0)} == {""}
    silent = InjectedFault(kind="scale silent")
    made.machine.plant.inject(silent)
    assert made.heard(3.0)[-1].doubt == "silent"
    made.machine.plant.clear(silent)
    assert made.heard(3.0)[-1].doubt == ""
