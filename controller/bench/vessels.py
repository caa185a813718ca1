"""Funnel, glass and tray: where the liquids end."""

import math
from collections.abc import Mapping

from msgspec import Struct, field
from msgspec.structs import replace

from controller.bench.fluids import FluidTruth, weight_g_ml
from controller.bench.truth import FunnelTruth

Volumes = dict[str, float]  # mL by liquid


def total_ml(volumes: Volumes) -> float:
    """Sum over all liquids."""
    return sum(volumes.values())


def pour(into: Volumes, volumes: Volumes) -> None:
    """Add volumes to a vessel's contents."""
    for liquid, volume_ml in volumes.items():
        into[liquid] = into.get(liquid, 0.0) + volume_ml


def take(out_of: Volumes, volume_ml: float) -> Volumes:
    """Take this much of a vessel's blended contents."""
    share = min(volume_ml / total_ml(out_of), 1.0) if volume_ml > 0 else 0.0
    taken = {liquid: held_ml * share for liquid, held_ml in out_of.items()} if share > 0 else {}
    for liquid, part_ml in taken.items():
        out_of[liquid] -= part_ml
    return taken


class BenchGlass(Struct, rename={"contents": "contents_ml"}):
    """A glass with what is in it, also as it is remembered from one start to the next."""

    name: str
    brim_ml: float
    contents: Volumes = field(default_factory=dict)
    empty_g: float | None = None  # None: about what a tumbler of that size weighs; invented
    solids_g: float = 0.0  # ice and garnish; they take no room here

    def copy(self) -> "BenchGlass":
        """A glass that can be filled without changing this one."""
        return replace(self, contents=self.contents.copy())

    def weight_g(self, fluids: Mapping[str, FluidTruth]) -> float:
        """With all that is in it, as weighed in air."""
        poured_g = sum(ml * weight_g_ml(fluids[fluid].density_kg_m3) for fluid, ml in self.contents.items())
        return (self.empty_g or 40.0 + 0.8 * self.brim_ml) + self.solids_g + poured_g


class Vessels:
    """Funnel, glass (None while absent) and tray. Contents are blended once per piece of time."""

    def __init__(self, truth: FunnelTruth) -> None:
        self.truth = truth
        self.funnel: Volumes = {}
        self.tray: Volumes = {}
        self.glass: BenchGlass | None = None
        self.mass_g = 0.0  # beside the glass, where that stands

    def load_g(self, fluids: Mapping[str, FluidTruth]) -> float:
        """What stands under the funnel, as weighed in air."""
        return self.mass_g + (self.glass.weight_g(fluids) if self.glass else 0.0)

    def copy(self) -> "Vessels":
        """Vessels that can be filled without changing these."""
        twin = Vessels(self.truth)
        twin.funnel, twin.tray = self.funnel.copy(), self.tray.copy()
        twin.glass = self.glass.copy() if self.glass else None
        twin.mass_g = self.mass_g
        return twin

    def flow(self, passed_s: float, into_funnel: Volumes, into_tray: Volumes) -> None:
        """Let passed_s go by while these volumes arrive evenly."""
        pour(self.tray, into_tray)
        if passed_s > 0:
            held_ml, inflow_ml = total_ml(self.funnel), total_ml(into_funnel)
            pour(self.funnel, into_funnel)
            after_ml, spilt_ml = drain(self.truth, held_ml, inflow_ml / passed_s, passed_s)
            left = take(self.funnel, held_ml + inflow_ml - after_ml)
            pour(self.tray, take(left, spilt_ml))
            self._into_glass(left)

    def _into_glass(self, volumes: Volumes) -> None:
        if self.glass is None:
            pour(self.tray, volumes)
            return
        pour(self.glass.contents, volumes)
        over_ml = total_ml(self.glass.contents) - self.glass.brim_ml
        if over_ml > 0:
            pour(self.tray, take(self.glass.contents, over_ml))


def drain(truth: FunnelTruth, held_ml: float, inflow_ml_s: float, passed_s: float) -> tuple[float, float]:
    """What the funnel holds after passed_s of even inflow, and what spilt over its rim, in mL.

    It drains in proportion to what stands above its film, up to a limit; above that limit it fills up.
    """
    above_ml = held_ml - truth.film_ml
    if above_ml < 0:  # the film fills first
        if held_ml + inflow_ml_s * passed_s <= truth.film_ml:
            return held_ml + inflow_ml_s * passed_s, 0.0
        passed_s += above_ml / inflow_ml_s
        above_ml = 0.0
    limit_ml = truth.drain_ml_s * truth.drain_time_s  # above the film; from here on it drains as fast as it can
    rise_ml_s = inflow_ml_s - truth.drain_ml_s
    tends_to_ml = inflow_ml_s * truth.drain_time_s

    def eased(from_ml: float, seconds: float) -> float:
        return tends_to_ml + (from_ml - tends_to_ml) * math.exp(-seconds / truth.drain_time_s)

    to_limit_s = math.inf
    if above_ml < limit_ml and rise_ml_s > 0:
        to_limit_s = truth.drain_time_s * math.log((tends_to_ml - above_ml) / (tends_to_ml - limit_ml))
    elif above_ml > limit_ml and rise_ml_s < 0:
        to_limit_s = (limit_ml - above_ml) / rise_ml_s
    starts_at_limit = above_ml > limit_ml or (above_ml == limit_ml and rise_ml_s > 0)
    first_s = min(to_limit_s, passed_s)
    above_ml = above_ml + rise_ml_s * first_s if starts_at_limit else eased(above_ml, first_s)
    if to_limit_s < passed_s:
        then_s = passed_s - to_limit_s
        above_ml = eased(limit_ml, then_s) if starts_at_limit else limit_ml + rise_ml_s * then_s
    spilt_ml = max(above_ml - (truth.capacity_ml - truth.film_ml), 0.0)
    return truth.film_ml + above_ml - spilt_ml, spilt_ml
