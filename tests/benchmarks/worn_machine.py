"""One machine of the weighed benchmark: calibrated by trials, then worn, its load cell under the glass."""

import contextlib
import random
import statistics
from collections.abc import Iterator
from pathlib import Path

import msgspec

from controller.bench.cell_truth import CELL_EFFECTS
from controller.bench.effects import Effect
from controller.bench.faults import InjectedFault
from controller.bench.plant import Plant
from controller.clock import VirtualClock
from controller.config import load
from controller.errors import Refused
from controller.metering.calibration import fit, to_calibration
from controller.metering.density import liquid_kg_m3
from controller.metering.fitted import Fit
from controller.metering.gravimetry import displayed_g_per_ml
from controller.metering.learned_flows import LearnedFlows, LineBasis
from controller.metering.trials import Trial
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.profile import Profile
from controller.model.scale import Scale

ROOT = Path(__file__).resolve().parents[2]
LINES = (1, 2, 3, 4, 5, 6)
WORN, IDLE_S = 0.04, 2 * 86_400.0
TRIALS_S = (1.5, 1.5, 3.0, 6.0, 6.0, 12.0, 12.0)
TRIED_AGAIN = 10


class Bench:
    """One machine, calibrated, then worn; its pins are switched directly."""

    def __init__(self, seed: int, per_s: int, *, has_gas: bool) -> None:
        profile, self.book, _ = load(ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml")
        wide = msgspec.structs.replace(profile.caps, serving_volume_ml=2000.0, serving_time_s=600.0, run_on_s=300.0)
        scale = Scale(converter="bench", capacity_g=5000.0, readings_per_s=per_s)
        self.profile: Profile = msgspec.structs.replace(profile, caps=wide, scale=scale)
        self.clock, self.rng, self.per_s = VirtualClock(), random.Random(f"{seed}/scale"), per_s
        effects: tuple[Effect, ...] = ("warming", "gas") if has_gas else ("warming",)
        self.plant = Plant(self.profile, self.book, clock=self.clock, seed=seed, effects=effects, cell=CELL_EFFECTS)
        self.liquids = {one.line: one.liquid for one in self.book.lines}
        self.run_a = {line.line: line.pump.run_a for line in self.profile.lines}
        for wired in self.profile.lines:
            self.plant.claim_output(wired.gpio, True)
        self._span()
        self._hang()
        for line in LINES:
            self.run(line, 8.0)
        self.calibrations = {line: self._calibrated(line) for line in LINES}
        for line in LINES:
            self.plant.inject(InjectedFault(kind="tube worn", line=line, amount=WORN))
        self.rest(IDLE_S)
        self._hang()
        self.flows = LearnedFlows(self.clock.wall_s())
        for line in LINES:
            self.flows.know(line, self._basis(self.book, line), idle_s=IDLE_S)

    def rest(self, seconds: float) -> None:
        self.clock.move_to(self.clock.now_s() + seconds)

    def switch(self, line: int, is_on: bool) -> None:
        self.plant.set_pin(self.profile.line(line).gpio, not is_on)

    def run(self, line: int, on_s: float) -> float:
        """What the line delivers in so long, mL."""
        before_ml = self.plant.true_delivered_ml(line)
        self.switch(line, True)
        self.rest(on_s)
        self.switch(line, False)
        self.rest(2.0)
        return self.plant.true_delivered_ml(line) - before_ml

    def _span(self) -> None:
        """Zero and span with 1 kg, which is known to 0.03 %."""
        self.rest(2.0)
        self.zero = statistics.fmean(one.counts for one in self.plant.conversions())
        self.plant.place_mass(1000.0)
        self.rest(5.0)
        loaded = statistics.fmean(one.counts for one in self.plant.conversions())
        self.plant.place_mass(0.0)
        self.per_g = (loaded - self.zero) / (1000.0 * (1.0 + self.rng.gauss(0.0, 3e-4)))

    def _hang(self) -> None:
        for line, liquid in self.liquids.items():
            self.plant.hang(line, liquid, 50_000.0)

    def _calibrated(self, line: int) -> Calibration:
        """As from seven trials on a scale of 0.01 g; sag as the truth has it, to 0.001 / A."""
        found = to_calibration(self._fitted(line), line, self.liquids[line])
        truth = next(one for one in self.plant.truth_report() if one.line == line)
        sag = truth.sag_per_a + self.rng.gauss(0.0, 0.001)
        return msgspec.structs.replace(found, sag_per_a=sag, u_sag_per_a=0.001)

    def _fitted(self, line: int) -> Fit:
        """Trials that contradict each other, as gas can make them, are done over again."""
        for _ in range(TRIED_AGAIN):
            rows = [(on_s, self.run(line, on_s) + self.rng.gauss(0.0, 0.04)) for on_s in TRIALS_S]
            with contextlib.suppress(Refused):
                return fit([Trial(on_s, max(0.0, ml), 0.04) for on_s, ml in rows])
        raise Refused(rule="trials", reason=f"line {line} cannot be calibrated with {self.liquids[line]}.")

    def _basis(self, book: Book, line: int) -> LineBasis:
        liquid, calibration = book.liquid(self.liquids[line]), self.calibrations[line]
        density, u_density = liquid_kg_m3(liquid, 20.0)
        coasts_s = self.profile.relay_board.release_s + self.profile.line(line).pump.coast_s / 2
        return LineBasis(
            calibration=calibration,
            grams_per_ml=displayed_g_per_ml(density),
            end_ml=calibration.flow_ml_s * coasts_s,
            is_carbonated=liquid.carbonated,
            u_density=u_density / density,
        )

    def readings(self, until_s: float, after: int) -> Iterator[tuple[int, float, float]]:
        """Number, time and grams of what the converter gave since."""
        self.clock.move_to(max(self.clock.now_s(), until_s))
        for one in self.plant.conversions(after):
            yield one.number, one.at_s, (one.counts - self.zero) / self.per_g
