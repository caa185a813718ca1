"""The moving part of the bench: events in order, and what flows between them.

Nothing ticks. State stands at the last event; what lies after it is worked out in closed form when someone asks.
"""

import math
from collections.abc import Iterable, Mapping

from msgspec.structs import replace

from controller.bench import electrics
from controller.bench.line_state import BenchLine
from controller.bench.platform import Platform
from controller.bench.relays import Relay
from controller.bench.trace import ContactEntry, FeedEntry, Trace
from controller.bench.truth import SupplyTruth, Truth
from controller.bench.vessels import Vessels, Volumes, pour, total_ml
from controller.bench.warming import Heat
from controller.model.profile import Profile
from controller.model.wiring import MainRelay

REFRESH_S = 10.0  # a motor warms by less than 0.5 K meanwhile


class Simulation:
    """Lines and vessels over time (s, on the bench's clock)."""

    def __init__(self, truth: Truth, trace: Trace, now_s: float) -> None:
        self.truth, self._trace = truth, trace
        self.lines = {number: BenchLine(number, one, truth.seed, now_s) for number, one in truth.lines.items()}
        main = truth.main_relay
        self.main = Relay(main.operate_s, main.release_s) if main else None  # in the pumps' feed
        self.vessels = Vessels(truth.funnel)
        self.lowest_board_v = math.inf
        self.at_s = now_s  # where the state stands
        self.next_s = math.inf  # the next event
        self._refresh_s = math.inf
        self._warms = any(line.warming for line in truth.lines.values())
        self.run_in(truth.has_run_s)
        self._moving: list[BenchLine] = []  # in the present piece
        self.platform = Platform(truth, truth.cell, now_s, self.load_g) if truth.cell else None

    @property
    def is_fed(self) -> bool:
        """Whether the pumps' feed is closed."""
        return self.main is None or self.main.closed

    def advance(self, now_s: float) -> None:
        """Bring about every event up to now_s."""
        while self.next_s <= now_s:
            at_s = self.next_s
            self._let_flow(at_s)
            for line in self.lines.values():
                if line.relay.due_s <= at_s:
                    self._switch(line, at_s)
            if self.main is not None and self.main.due_s <= at_s:
                self._switch_feed(self.main, at_s)
            self.begin_piece()

    def run_in(self, running_s: float) -> None:
        """Turn all rotors, which must be at rest, as far as so much running takes them."""
        for line in self.lines.values():
            line.turn_to(line.motion.revs + running_s * line.truth.pump.speed_rev_s, line.runs)

    def stop_at(self, now_s: float) -> None:
        """Bring the state to now_s, so that it can be changed there; begin_piece must follow if flows change."""
        self.advance(now_s)
        self._let_flow(now_s)

    def begin_piece(self) -> None:
        """Work out speeds, fills and the next event for the piece of time that begins where the state stands."""
        pumps = {number: line.truth.pump for number, line in self._powered().items()}
        self._refresh_s = self._refreshed_s() if pumps else math.inf
        if pumps:
            stalled = {number for number in pumps if self.lines[number].is_stalled}
            steady = electrics.steady(
                self._supply(self.at_s), pumps, stalled, self._coils_on(), self._heat(pumps, self.at_s)
            )
            for number, fraction in steady.speed.items():
                self.lines[number].drive(self.at_s, fraction)
            self.lowest_board_v = min(self.lowest_board_v, self.electrics_at(self.at_s)[1])
        for line in self.lines.values():
            line.look_ahead(self.at_s, self.truth)
        self._moving = [line for line in self.lines.values() if line.moves]
        self.schedule()

    def schedule(self) -> None:
        """Find the next event; to be called after a relay was commanded."""
        self.next_s = min(min(line.next_s, line.relay.due_s) for line in self.lines.values())
        self.next_s = min(self.next_s, self._refresh_s)
        if self.main is not None:
            self.next_s = min(self.next_s, self.main.due_s)

    def moves(self) -> bool:
        """Whether any pump turns or is about to."""
        return self.next_s < math.inf or bool(self._moving)

    def vessels_at(self, now_s: float) -> Vessels:
        """Funnel, glass and tray as they will be at now_s, not before the last event; the state stays as it is."""
        vessels = self.vessels.copy()
        _flow([line.copy() for line in self._moving], vessels, now_s - self.at_s, now_s)
        return vessels

    def load_g(self, now_s: float) -> float:
        """What stands under the funnel weighs at now_s, not before the last event."""
        return self.vessels_at(now_s).load_g(self.truth.fluids)

    def record_force(self, now_s: float) -> None:
        """Have the load cell's platform worked out up to now_s, not before the last event."""
        if self.platform is not None:
            self.platform.record(now_s, self._moving)

    def electrics_at(self, now_s: float) -> tuple[float, float]:
        """Current of all pumps (A) and voltage at the computer's step-down (V)."""
        powered = self._powered()
        speed = {n: line.motion.speed_at(now_s) / line.truth.pump.speed_rev_s for n, line in powered.items()}
        pumps = {number: line.truth.pump for number, line in powered.items()}
        return electrics.instant(self._supply(now_s), pumps, speed, self._coils_on(), self._heat(pumps, now_s))

    def fail(self, line: BenchLine, at_s: float, *, dead: bool) -> None:
        """A pump's motor goes dead, or comes back, at at_s, where the state stands."""
        if dead != line.is_dead:
            line.is_dead = dead
            if self.is_fed and line.relay.closed:
                self._power(line, at_s, on=not dead)

    def tray_is_full(self, now_s: float) -> bool:
        """Whether the tray has filled up to its contact."""
        capacity_ml = self.truth.funnel.tray_capacity_ml
        # While all that can have spilt leaves room in the tray, nothing needs to be worked out.
        moved_ml = sum(line.moved_ml(now_s) for line in self._moving)
        if total_ml(self.vessels.tray) + total_ml(self.vessels.funnel) + moved_ml < capacity_ml:
            return False
        return total_ml(self.vessels_at(now_s).tray) >= capacity_ml

    def _supply(self, now_s: float) -> SupplyTruth:
        supply, steps = self.truth.supply, self.truth.supply_steps
        return supply if steps is None else replace(supply, voltage_v=supply.voltage_v * steps.factor(now_s))

    def _heat(self, numbers: Iterable[int], now_s: float) -> Mapping[int, Heat]:
        if not self._warms:
            return electrics.NO_HEAT
        return {number: self.lines[number].warmth.heat(now_s) for number in numbers}

    def _refreshed_s(self) -> float:
        """When speeds are to be worked out anew though nothing is switched, for what changes slowly."""
        steps = self.truth.supply_steps
        return min(self.at_s + REFRESH_S if self._warms else math.inf, steps.next_s(self.at_s) if steps else math.inf)

    def _powered(self) -> dict[int, BenchLine]:
        """The lines whose pumps have voltage."""
        if not self.is_fed:
            return {}
        return {number: line for number, line in self.lines.items() if line.relay.closed and not line.is_dead}

    def _coils_on(self) -> int:
        """Relays that draw current; one that sticks counts by its contact."""
        return sum(line.relay.closed for line in self.lines.values()) + (self.main is not None and self.main.closed)

    def _let_flow(self, now_s: float) -> None:
        if self.platform is not None:
            self.platform.end_piece(now_s, self._moving)
        _flow(self._moving, self.vessels, now_s - self.at_s, now_s)
        self.at_s = now_s

    def _switch(self, line: BenchLine, at_s: float) -> None:
        line.relay.arrive()
        self._trace.add(ContactEntry(at_s=at_s, line=line.number, closed=line.relay.closed))
        if self.is_fed:
            self._power(line, at_s)

    def _switch_feed(self, main: Relay, at_s: float) -> None:
        main.arrive()
        self._trace.add(FeedEntry(at_s=at_s, closed=main.closed))
        for line in self.lines.values():
            if line.relay.closed:
                self._power(line, at_s, on=main.closed)

    def _power(self, line: BenchLine, at_s: float, *, on: bool = True) -> None:
        """The pump's voltage came or went: it is there when its relay's contact is closed and the feed is on."""
        if on and line.relay.closed and not line.is_dead:
            line.begin_run(at_s, self.truth)
        else:
            line.coast(at_s)


def _flow(moving: Iterable[BenchLine], vessels: Vessels, passed_s: float, now_s: float) -> None:
    into_funnel: Volumes = {}
    into_tray: Volumes = {}
    for line in moving:
        pour(into_tray if line.is_tube_off else into_funnel, line.flow(now_s))
    vessels.flow(passed_s, into_funnel, into_tray)


def wired_relays(profile: Profile, simulation: Simulation) -> dict[int, tuple[Relay, bool]]:
    """GPIO -> the relay on it, and the level that pulls it in."""
    relays = {f"line {number}": line.relay for number, line in simulation.lines.items()}
    if simulation.main is not None:
        relays[MainRelay.role.name] = simulation.main
    rows = (row for row in profile.output_table if row.name in relays)
    return {row.gpio: (relays[row.name], row.is_active_high) for row in rows}
