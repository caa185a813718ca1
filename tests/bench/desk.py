"""A bench on a virtual clock, with all its relays' pins claimed, and someone who works at it."""

from msgspec.structs import replace

from controller.bench.link import DirectLink
from controller.bench.memory import BenchMemory
from controller.bench.plant import Plant
from controller.bench.truth import Truth, draw
from controller.clock import VirtualClock
from controller.model.profile import Profile
from tests.bench import fete_machine as fete


class Desk:
    def __init__(
        self,
        profile: Profile | None = None,
        *,
        seed: int = 1,
        truth: Truth | None = None,
        memory: BenchMemory | None = None,
        persist: bool = True,
    ) -> None:
        self.clock = VirtualClock(50.0)
        self.profile = profile or fete.profile()
        book = fete.book([line.line for line in self.profile.lines])
        self.plant = Plant(self.profile, book, clock=self.clock, seed=seed, truth=truth, memory=memory, persist=persist)
        self.link = DirectLink(self.plant, "desk")
        self.off = self.profile.relay_board.active_level == "low"
        self.gpio = {line.line: line.gpio for line in self.profile.lines}
        for gpio in self.gpio.values():
            self.link.claim_output(gpio, self.off)

    def wait(self, seconds: float) -> None:
        self.clock.move_to(self.clock.now_s() + seconds)

    def switch(self, line: int, on: bool) -> None:
        self.link.set_pin(self.gpio[line], on != self.off)

    def run(self, line: int, on_s: float, then_s: float = 2.0) -> float:
        """Run one line; what left its outlet (mL)."""
        before_ml = self.plant.true_delivered_ml(line)
        self.switch(line, True)
        self.wait(on_s)
        self.switch(line, False)
        self.wait(then_s)
        return self.plant.true_delivered_ml(line) - before_ml

    def fill(self, line: int) -> None:
        """Run a line until liquid has left it, into whatever stands there."""
        while self.run(line, 5.0) == 0:
            pass


def ideal_truth(profile: Profile, seed: int = 1, **pump: float) -> Truth:
    """A drawn machine without scatter, pulsation, wear and suction loss, so that one effect can be looked at alone."""
    drawn = draw(profile, fete.book(), seed)
    plain = {"scatter": 0.0, "pulsation": 0.0, "wear_per_rev": 0.0, "suction_loss": 0.0} | pump
    lines = {number: replace(line, pump=replace(line.pump, **plain)) for number, line in drawn.lines.items()}
    return replace(drawn, lines=lines)
