"""One line at work: contact, rotor, tube and container, from one event to the next."""

import math
from collections.abc import Mapping
from random import Random

from msgspec.structs import replace

from controller.bench.fluids import AIR, FluidTruth
from controller.bench.gas import liquid_share, releasable
from controller.bench.relays import Relay
from controller.bench.shaft import Motion, displaced_rev, rest, revs_for
from controller.bench.surroundings import thinned_mpa_s
from controller.bench.truth import LineTruth, Truth
from controller.bench.tube_set import displaced_share
from controller.bench.tubing import OVERSHOOT_ML, BenchTube, SourceContainer
from controller.bench.vessels import Volumes
from controller.bench.warming import Warmth


class BenchLine:
    """A line's state at its motion's start; between events everything follows from the motion in closed form."""

    def __init__(self, number: int, truth: LineTruth, seed: int, now_s: float) -> None:
        self.number, self.truth = number, truth
        self.relay = Relay(truth.operate_s, truth.release_s)
        self.motion = rest(now_s, 0.0)
        self._displaced = (self.motion, displaced_rev(truth.pump, 0.0))  # the motion, and where it began
        self.tube = BenchTube(truth)
        self.container: SourceContainer | None = None
        self.left_outlet: Volumes = {}  # liquids, since the bench was switched on
        self._new_ml_rev = truth.pump.volume_ml_rev  # in the present run, but for the fault of a worn tube
        self.fill = 1.0
        self.is_stalled = self.is_dead = self.is_blocked = self.is_tube_off = False  # faults
        self.worn = self.siphon_ml_s = 0.0
        self.next_s = math.inf  # next event that this line brings about by itself
        self.runs = 0
        self.warmth = Warmth(truth.warming, now_s)
        self._stopped_s: float | None = now_s  # since when the rotor rests
        self._gas_share = 0.0  # of what can come out, in the present run
        self._seed = seed

    def copy(self) -> "BenchLine":
        """A line that can run on without changing this one; it shares the relay, so it must not be switched."""
        twin = BenchLine.__new__(BenchLine)
        twin.__dict__.update(self.__dict__)
        twin.tube = self.tube.copy()
        if self.container:
            twin.container = self.container.copy()
        twin.left_outlet = self.left_outlet.copy()
        return twin

    @property
    def displacement_ml_rev(self) -> float:
        """Displaced by a revolution in the present run, mL."""
        return self._new_ml_rev * (1 - self.worn)

    @property
    def moves(self) -> bool:
        """Whether anything moves through the tube, by the pump or by itself."""
        return self.motion.moves or self._siphons_ml_s > 0

    @property
    def _siphons_ml_s(self) -> float:
        """A tube that is not pinched shut empties its container while the pump rests."""
        drains = self.siphon_ml_s > 0 and not self.motion.moves and not self.is_blocked
        return self.siphon_ml_s if drains and self.container and self.container.remaining_ml > 0 else 0.0

    def begin_run(self, now_s: float, truth: Truth) -> None:
        """Draw this run's displacement: wear and set so far and the scatter from run to run."""
        pump = self.truth.pump
        self.runs += 1
        if self.truth.gas is not None:
            self._gas_share = self.truth.gas.share * Random(f"{self._seed}/gas {self.number}/{self.runs}").uniform(
                0.5, 1.5
            )
        self._run_back(now_s, truth)
        scatter = Random(f"{self._seed}/scatter {self.number}/{self.runs}").gauss(0.0, pump.scatter)
        wear = 1 - pump.wear_per_rev * self.motion.revs
        self._new_ml_rev = (
            pump.volume_ml_rev * wear * displaced_share(self.truth.tube_set, self.motion.revs) * (1 + scatter)
        )

    def _run_back(self, now_s: float, truth: Truth) -> None:
        """What sank back into the container since the rotor stopped, and what gas lifted out of the tube."""
        if self._stopped_s is None or self.container is None:
            return
        rest_s, self._stopped_s = now_s - self._stopped_s, None
        back_ml = self.truth.run_back_ml_s * rest_s if self.truth.lift_m > 0 else 0.0
        if self.truth.gas is not None and self._releasable_ml(now_s, truth) > 0:
            back_ml += min(self.truth.gas.rest_ml_s * rest_s, self.truth.gas.rest_ml)
        if back_ml > 0:
            returned = self.tube.run_back(min(back_ml, self.truth.delivery_ml))
            self.container.remaining_ml += returned.get(self.container.liquid, 0.0)

    def _liquid_c(self, now_s: float, truth: Truth) -> float:
        if truth.room is None or self.container is None:
            return 20.0
        return truth.room.liquid_c(truth.fluids[self.container.liquid].served_c, now_s - self.container.hung_s)

    def _releasable_ml(self, now_s: float, truth: Truth) -> float:
        """Gas that a mL from the container can still give off, mL."""
        if self.container is None or self.container.remaining_ml <= 0:
            return 0.0
        co2_volumes = truth.fluids[self.container.liquid].co2_volumes
        if co2_volumes <= 0:
            return 0.0
        return releasable(co2_volumes, now_s - self.container.hung_s, self._liquid_c(now_s, truth))

    def turn_to(self, revs: float, runs: int) -> None:
        """Set the rotor at rest to this angle, after this many runs."""
        self.motion, self.runs = rest(self.motion.since_s, revs), runs

    def drive(self, now_s: float, speed_fraction: float) -> None:
        """Under voltage: the rotor tends to this fraction of its nominal speed."""
        pump, motion = self.truth.pump, self.motion.at(now_s)
        target = speed_fraction * pump.speed_rev_s
        speed = 0.0 if self.is_stalled else motion.speed
        self.warmth = self.warmth.turned(now_s, heated=True)
        self.motion = Motion(now_s, motion.revs, speed, 0.0 if self.is_stalled else target, pump.run_up_s)

    def coast(self, now_s: float) -> None:
        """Without voltage: friction brings the rotor to rest."""
        motion = self.motion.at(now_s)
        slowing = self.truth.pump.speed_rev_s / self.truth.pump.coast_s
        moving = motion.speed > 0
        self.warmth = self.warmth.turned(now_s, heated=False)
        if not moving and self._stopped_s is None:
            self._stopped_s = now_s
        self.motion = Motion(now_s, motion.revs, motion.speed, slowing=slowing) if moving else rest(now_s, motion.revs)

    def moved_ml(self, now_s: float) -> float:
        """Volume moved through the tube since the motion's start."""
        if not self.motion.moves:
            return self._siphons_ml_s * (now_s - self.motion.since_s)
        pump, (began, from_rev) = self.truth.pump, self._displaced
        if began is not self.motion:
            from_rev = displaced_rev(pump, self.motion.revs)
            self._displaced = (self.motion, from_rev)
        displaced = displaced_rev(pump, self.motion.revs_at(now_s)) - from_rev
        return self.displacement_ml_rev * self.fill * displaced

    def remaining_ml(self, now_s: float) -> float:
        """What is left in the container, 0 without one."""
        return max(self.container.remaining_ml - self.moved_ml(now_s), 0.0) if self.container else 0.0

    def flow(self, now_s: float) -> Volumes:
        """Run on to now_s; the liquids that left the outlet on the way."""
        moved_ml = self.moved_ml(now_s)
        self.motion = self.motion.at(now_s)
        if now_s >= self.motion.ends_s:
            self.motion = rest(now_s, self.motion.revs)
            self._stopped_s = now_s
        left: Volumes = {}
        for inlet, volume_ml in self._drawn(moved_ml):
            for fluid, out_ml in self.tube.push(inlet, volume_ml):
                if fluid != AIR:
                    left[fluid] = left.get(fluid, 0.0) + out_ml
                    self.left_outlet[fluid] = self.left_outlet.get(fluid, 0.0) + out_ml
        return left

    def _drawn(self, volume_ml: float) -> list[tuple[str, float]]:
        """Take volume_ml from the container, and air when it runs out."""
        if volume_ml <= 0:
            return []
        if self.container is None or self.container.remaining_ml <= 0:
            return [(AIR, volume_ml)]
        container = self.container
        if volume_ml < container.remaining_ml:
            container.remaining_ml -= volume_ml
            return [(container.liquid, volume_ml)]
        last_ml, container.remaining_ml = container.remaining_ml, 0.0
        return [(container.liquid, last_ml), (AIR, volume_ml - last_ml)]

    def look_ahead(self, now_s: float, truth: Truth) -> None:
        """Set the fill for the piece that begins now, and when this line ends it by itself."""
        motion, pump = self.motion, self.truth.pump
        if not motion.moves:
            self.next_s = math.inf
            if (siphons_ml_s := self._siphons_ml_s) > 0:
                self.motion = rest(now_s, motion.revs)
                volume_ml = self.tube.until_change_ml(self.container) + OVERSHOOT_ML
                self.next_s = now_s + volume_ml / siphons_ml_s
            return
        if motion.target > 0:
            # A coasting rotor keeps the fill it had: the loss falls with its speed, but for milliseconds only.
            self.fill = self._fill(self.displacement_ml_rev * motion.target, motion.since_s, truth)
        self.next_s = motion.ends_s
        volume_ml = self.tube.until_change_ml(self.container)
        if math.isfinite(volume_ml) and self.fill > 0:
            displaced = displaced_rev(pump, motion.revs) + (volume_ml + OVERSHOOT_ML) / (
                self.displacement_ml_rev * self.fill
            )
            self.next_s = min(self.next_s, motion.reaches_s(revs_for(pump, displaced)))

    def _fill(self, flow_ml_s: float, now_s: float, truth: Truth) -> float:
        """Share of the displacement that is liquid, with this level, temperature and gas."""
        if self.is_blocked:
            return 0.0
        fluids: Mapping[str, FluidTruth] = truth.fluids
        if truth.room is not None:
            at_c = self._liquid_c(now_s, truth)
            fluids = {name: _at_c(truth.fluids[name], at_c) for name, _ in self.tube.slugs}
        sunk_m = self.truth.container_m * self.container.drawn_share if self.container else 0.0
        fill = self.tube.fill_fraction(flow_ml_s, fluids, sunk_m)
        return fill * liquid_share(self._gas_share, self._releasable_ml(now_s, truth)) if self._gas_share else fill


def _at_c(fluid: FluidTruth, at_c: float) -> FluidTruth:
    return (
        fluid
        if fluid.viscosity_mpa_s < 0.1
        else replace(fluid, viscosity_mpa_s=thinned_mpa_s(fluid.viscosity_mpa_s, at_c))
    )
