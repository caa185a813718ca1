"""What presses on the load cell's platform: glass and liquid, the stream that falls, drops, hands and knocks.

The stream presses by the liquid that has landed and by its momentum; what is still falling does not press. While it
flows evenly, the two make up for each other but for the speed at the outlet (balance of momentum, any textbook of
mechanics). Force is kept on an even grid of time, as the converter's filter needs it; while nothing moves, nothing is
worked out.
"""

import math
from collections import deque
from collections.abc import Callable, Iterable
from itertools import repeat
from random import Random

from controller.bench.cell_truth import CellTruth
from controller.bench.fluids import AIR, weight_g_ml
from controller.bench.line_state import BenchLine
from controller.bench.touches import Knock, Moved, Touch, drawn_knock
from controller.bench.truth import Truth
from controller.bench.tubing import GRAVITY_M_S2
from controller.bench.vessels import BenchGlass, Vessels, drain, total_ml

GRID_S = 0.025  # at most
QUIET_S = 6.0  # after the last flow: the funnel has run empty and the last drop has fallen
KEPT_S = 2.0  # of the past, beside what the filter needs
GLASS_M = 0.1  # height of a glass, by which a full one shortens the fall; common practice, no source
TRICKLE_G_S = 0.05  # below this a stream has broken into drops
DROPS_S = 1.0  # mean time in which a clinging drop falls; common practice, no source
LATEST_DROP_S = 4.0


class Platform:
    """Force on the platform (g) on a grid of per_s points a second, numbered from 0 at the clock's zero.

    load_g: the true load at a time, once everything has drained; it must not be before the last event.
    """

    def __init__(self, truth: Truth, cell: CellTruth, now_s: float, load_g: Callable[[float], float]) -> None:
        self._truth, self._cell, self._load_g = truth, cell, load_g
        self._weight = {name: weight_g_ml(one.density_kg_m3) for name, one in truth.fluids.items()}
        self.per_conversion = max(1, round(1.0 / (cell.rate_hz * GRID_S)))
        self._per_s = cell.rate_hz * self.per_conversion
        self._step_s = 1.0 / self._per_s
        self.next = math.floor(now_s * self._per_s) + 1  # the next point of the grid
        kept = math.ceil((4 * cell.filter_s + KEPT_S) * self._per_s) + 1
        self.force_g: deque[float] = deque(repeat(0.0, kept), kept)  # newest last
        self._in_glass_g: deque[float] = deque(repeat(0.0, kept), kept)  # as it leaves the funnel
        self._left_ml = self._left_g = 0.0  # of all outlets over the funnel, up to the present piece
        self._taken_ml = self._taken_g = 0.0  # of that, what the funnel has had at the last point
        self._held_ml = self._held_g = 0.0  # in the funnel
        self._glass: BenchGlass | None = None
        self._glass_g = self._glass_ml = 0.0
        self._clinging_g = 0.0
        self._drops: list[tuple[float, float]] = []  # when, g
        self._touches: list[Touch] = []
        self._rng = Random(f"{truth.seed}/platform")
        self._next_knock_s = self._knock_after(now_s)
        self._moved_s = now_s  # when anything last moved
        self._settled_g: float | None = None  # the load, while nothing moves

    # --- what the simulation tells

    def record(self, now_s: float, moving: Iterable[BenchLine]) -> None:
        """Work out the force up to now_s with these lines moving, none of which is switched before now_s."""
        last = math.floor(now_s * self._per_s + 1e-6)
        if last < self.next:
            return
        moving = [line for line in moving if not line.is_tube_off]
        self._knock(now_s)
        if moving:
            self._moved_s = now_s
        elif self._touches:
            self._moved_s = max(self._moved_s, min(now_s, max(one.ends_s for one in self._touches)))
        if now_s - self._moved_s > QUIET_S and not self._drops:
            self._rest(now_s, last)
            return
        self._settled_g = None
        while self.next <= last:
            self._step(self.next * self._step_s, moving)
            self.next += 1
        self._touches = [one for one in self._touches if one.ends_s > now_s]

    def end_piece(self, at_s: float, moving: list[BenchLine]) -> None:
        """A piece of time ends: these lines move on from here with nothing moved yet."""
        self.record(at_s, moving)
        self._left_ml, self._left_g = self._left(at_s, moving)

    def stand(self, now_s: float, glass: BenchGlass | None) -> None:
        """Another glass stands there, or none, or somebody has changed what it holds; all its contents have landed."""
        load_g = self._load_g(now_s)
        if self._cell.is_handled:
            self.touch(Moved(now_s, load_g - self._glass_g))
            if load_g > self._glass_g:
                self.touch(Knock(now_s, 0.3 * (load_g - self._glass_g)))
        self._glass, self._glass_g, self._glass_ml = glass, load_g, total_ml(glass.contents) if glass else 0.0
        self._in_glass_g.extend(repeat(load_g, len(self._in_glass_g)))
        self._clinging_g, self._drops = 0.0, []
        self._stir(now_s)

    def find(self, vessels: Vessels) -> None:
        """What stands there at the start, and what the funnel holds."""
        self._held_ml = total_ml(vessels.funnel)
        self._held_g = sum(ml * self._weight[fluid] for fluid, ml in vessels.funnel.items())
        self._glass = vessels.glass
        self._glass_g = vessels.load_g(self._truth.fluids)
        self._glass_ml = total_ml(vessels.glass.contents) if vessels.glass else 0.0
        for history in (self.force_g, self._in_glass_g):
            history.extend(repeat(self._glass_g, len(history)))

    def touch(self, touch: Touch) -> None:
        """Something presses for a while, from now on."""
        self._touches.append(touch)
        self._settled_g = None

    # --- inside

    def _stir(self, now_s: float) -> None:
        self._moved_s, self._settled_g = now_s, None

    def _knock(self, now_s: float) -> None:
        """Draw the knock that is due, of which a long rest may have had many."""
        if self._next_knock_s <= now_s:
            self.touch(drawn_knock(self._rng, self.next * self._step_s))
            self._next_knock_s = self._knock_after(now_s)

    def _knock_after(self, now_s: float) -> float:
        per_h = self._cell.knocks_per_h
        return now_s + self._rng.expovariate(per_h / 3600.0) if per_h > 0 else math.inf

    def _rest(self, now_s: float, last: int) -> None:
        """Nothing moves: the load is the true one, and the points up to the last one are alike."""
        if self._settled_g is None:
            self._settled_g = self._glass_g = self._load_g(now_s)
            film_ml = min(self._held_ml, self._truth.funnel.film_ml)
            self._held_g *= film_ml / self._held_ml if self._held_ml > 0 else 0.0
            self._held_ml, self._touches = film_ml, []
        count = min(last - self.next + 1, len(self.force_g))
        self.force_g.extend(repeat(self._settled_g, count))
        self._in_glass_g.extend(repeat(self._settled_g, count))
        self.next = last + 1

    def _left(self, now_s: float, moving: Iterable[BenchLine]) -> tuple[float, float]:
        """What has left the outlets over the funnel, mL and g."""
        left_ml, left_g = self._left_ml, self._left_g
        for line in moving:
            fluid = line.tube.slugs[0][0]
            if fluid != AIR and not line.is_tube_off:
                moved_ml = line.moved_ml(now_s)
                left_ml += moved_ml
                left_g += moved_ml * self._weight[fluid]
        return left_ml, left_g

    def _step(self, now_s: float, moving: list[BenchLine]) -> None:
        left_ml, left_g = self._left(now_s, moving)
        into_g = self._out_of_funnel(left_ml - self._taken_ml, left_g - self._taken_g)
        self._taken_ml, self._taken_g = left_ml, left_g
        self._glass_g += into_g
        self._in_glass_g.append(self._glass_g)
        force_g = self._pressed_g() - self._clinging(now_s, into_g)
        for touch in self._touches:
            force_g += touch.force_g(now_s) if touch.ends_s > now_s else 0.0
        self.force_g.append(force_g)

    def _out_of_funnel(self, inflow_ml: float, inflow_g: float) -> float:
        """What runs from the funnel into the glass within a step, g; what the glass does not hold does not press."""
        brought_ml, brought_g = self._held_ml + inflow_ml, self._held_g + inflow_g
        if brought_ml <= 0.0:
            return 0.0
        held_ml, spilt_ml = drain(self._truth.funnel, self._held_ml, inflow_ml * self._per_s, self._step_s)
        blend = brought_g / brought_ml
        out_ml = brought_ml - held_ml - spilt_ml
        self._held_ml, self._held_g = held_ml, held_ml * blend
        if self._glass is None:
            return 0.0
        into_ml = min(out_ml, max(self._glass.brim_ml - self._glass_ml, 0.0))
        self._glass_ml += into_ml
        return into_ml * blend

    def _pressed_g(self) -> float:
        """Landed liquid and the momentum of what lands now."""
        cell = self._cell
        fall_m = cell.fall_m
        if fall_m > 0 and self._glass is not None:
            fall_m = max(fall_m - GLASS_M * self._glass_ml / self._glass.brim_ml, 0.02)
        lands_m_s = math.sqrt(cell.exit_m_s**2 + 2 * GRAVITY_M_S2 * fall_m)
        ago = (lands_m_s - cell.exit_m_s) / GRAVITY_M_S2 * self._per_s
        whole = int(ago)
        held = self._in_glass_g
        newer, older = held[-1 - whole], held[-2 - whole]
        landed_g = newer + (older - newer) * (ago - whole)
        if not cell.pushes:
            return landed_g
        return landed_g + (newer - older) * self._per_s * lands_m_s / GRAVITY_M_S2

    def _clinging(self, now_s: float, into_g: float) -> float:
        """What clings to the outlet (g): the first of a stream, until it falls in drops after the stream's end."""
        most_g, flow_g_s = self._cell.nozzle_ml, into_g * self._per_s
        if most_g <= 0 or self._glass is None:
            return 0.0
        if flow_g_s >= TRICKLE_G_S:
            self._drops = []
            self._clinging_g = min(self._clinging_g + into_g, most_g)
        elif self._clinging_g > 0 and not self._drops:
            self._drops = self._fall(now_s)
        while self._drops and self._drops[0][0] <= now_s:
            self._clinging_g = max(self._clinging_g - self._drops.pop(0)[1], 0.0)
        return self._clinging_g

    def _fall(self, now_s: float) -> list[tuple[float, float]]:
        """When each drop of what clings falls, the last one whatever is left."""
        count = max(1, round(self._clinging_g / self._cell.drop_ml))
        each_g = self._clinging_g / count + 1e-9
        return sorted((now_s + min(self._rng.expovariate(1 / DROPS_S), LATEST_DROP_S), each_g) for _ in range(count))
