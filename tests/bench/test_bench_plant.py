"""The plant as a whole: what goes in comes out, whoever looks and however often."""

import fete_machine as fete
import pytest

from controller.bench.link import DirectLink
from controller.bench.plant import Plant
from controller.clock import VirtualClock


class Desk:
    """A bench on a virtual clock with all pins claimed."""

    def __init__(self, *, seed: int = 1, **profile: object) -> None:
        self.clock = VirtualClock(50.0)
        self.profile = fete.profile(**profile)
        self.plant = Plant(self.profile, fete.book(), clock=self.clock, seed=seed)
        self.link = DirectLink(self.plant, "test")
        self.off = self.profile.relay_board.active_level == "low"
        for gpio in fete.GPIO.values():
            self.link.claim_output(gpio, self.off)

    def wait(self, seconds: float) -> None:
        self.clock.move_to(self.clock.now_s() + seconds)

    def switch(self, line: int, on: bool) -> None:
        self.link.set_pin(fete.GPIO[line], on != self.off)

    def run(self, line: int, on_s: float, then_s: float = 2.0) -> float:
        """Run one line; what left its outlet."""
        before_ml = self.plant.true_delivered_ml(line)
        self.switch(line, True)
        self.wait(on_s)
        self.switch(line, False)
        self.wait(then_s)
        return self.plant.true_delivered_ml(line) - before_ml


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.mark.parametrize("active_level", ["low", "high"])
def test_nothing_runs_until_a_level_says_so(active_level):
    desk = Desk(active_level=active_level)
    desk.wait(60.0)
    assert all(line.left_outlet_ml == 0 and not line.contact_closed for line in desk.plant.report().lines)


def test_an_empty_line_delivers_nothing_until_it_is_filled(desk):
    tube_ml = desk.plant.truth.lines[5].suction_ml + desk.plant.truth.lines[5].delivery_ml
    flow_ml_s = desk.plant.truth_report()[4].flow_ml_s
    assert desk.run(5, 0.9 * tube_ml / flow_ml_s) == 0
    assert desk.run(5, 0.2 * tube_ml / flow_ml_s) == pytest.approx(0.1 * tube_ml, abs=0.2)
