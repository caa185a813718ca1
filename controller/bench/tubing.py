"""What stands in a line's tube, and how hard it is to draw.

Plug flow: a tube is a row of slugs. What the pump moves leaves at the outlet and enters from the container, or as air
when there is none. Filling, purging, rinsing and running dry all follow from that one rule.
"""

import math
from collections import deque
from collections.abc import Iterator, Mapping

from controller.bench.fluids import AIR, FluidTruth
from controller.bench.truth import LineTruth

GRAVITY_M_S2 = 9.81
TURBULENT_REYNOLDS = 2300.0  # where a flow in a round tube turns turbulent, in any handbook
OVERSHOOT_ML = 1e-7  # by which a front is let past its mark, so that rounding cannot leave it just short


class SourceContainer:
    """A container on a line."""

    def __init__(self, liquid: str, remaining_ml: float, *, full_ml: float | None = None, hung_s: float = 0.0) -> None:
        self.liquid, self.remaining_ml = liquid, remaining_ml
        self.full_ml = remaining_ml if full_ml is None else full_ml
        self.hung_s = hung_s

    def copy(self) -> "SourceContainer":
        """A container that can be drawn from without changing this one."""
        return SourceContainer(self.liquid, self.remaining_ml, full_ml=self.full_ml, hung_s=self.hung_s)

    @property
    def drawn_share(self) -> float:
        """How much of it is gone, from 0 to 1."""
        return 1 - self.remaining_ml / self.full_ml if self.full_ml > 0 else 1.0


class BenchTube:
    """Slugs of fluid, outlet first. The tube is always full, of air at first."""

    def __init__(self, truth: LineTruth) -> None:
        self.truth = truth
        self.slugs: deque[tuple[str, float]] = deque([(AIR, truth.suction_ml + truth.delivery_ml)])

    def copy(self) -> "BenchTube":
        """A tube that can be filled without changing this one."""
        twin = BenchTube.__new__(BenchTube)
        twin.truth, twin.slugs = self.truth, self.slugs.copy()
        return twin

    def push(self, fluid: str, volume_ml: float) -> list[tuple[str, float]]:
        """Draw volume_ml of fluid in at the container's end; what leaves at the outlet, in order."""
        if self.slugs and self.slugs[-1][0] == fluid:
            self.slugs[-1] = (fluid, self.slugs[-1][1] + volume_ml)
        else:
            self.slugs.append((fluid, volume_ml))
        left = []
        while volume_ml > 0 and self.slugs:
            first, standing_ml = self.slugs[0]
            if standing_ml > volume_ml:
                left.append((first, volume_ml))
                self.slugs[0] = (first, standing_ml - volume_ml)
                break
            left.append((first, standing_ml))
            volume_ml -= standing_ml
            self.slugs.popleft()
        return left

    def run_back(self, volume_ml: float) -> dict[str, float]:
        """Let volume_ml (less when the tube holds less liquid) sink from the outlet; what returns at the other end."""
        volume_ml = min(volume_ml, sum(ml for fluid, ml in self.slugs if fluid != AIR))
        returned: dict[str, float] = {}
        wanted_ml = volume_ml
        while wanted_ml > 0 and self.slugs:
            fluid, standing_ml = self.slugs.pop()
            taken_ml = min(standing_ml, wanted_ml)
            if taken_ml < standing_ml:
                self.slugs.append((fluid, standing_ml - taken_ml))
            returned[fluid] = returned.get(fluid, 0.0) + taken_ml
            wanted_ml -= taken_ml
        if volume_ml > 0:
            air_ml = self.slugs.popleft()[1] if self.slugs and self.slugs[0][0] == AIR else 0.0
            self.slugs.appendleft((AIR, air_ml + volume_ml))
        return returned

    def on_suction_side(self) -> Iterator[tuple[str, float]]:
        """Slugs between container and pump, container's end first."""
        wanted_ml = self.truth.suction_ml
        for fluid, volume_ml in reversed(self.slugs):
            if wanted_ml <= 0:
                return
            yield fluid, min(volume_ml, wanted_ml)
            wanted_ml -= volume_ml

    def fill_fraction(self, flow_ml_s: float, fluids: Mapping[str, FluidTruth], sunk_m: float = 0.0) -> float:
        """Share of the pump's displacement that arrives when it would displace flow_ml_s (mL/s).

        The element refills against the lift and the Hagen-Poiseuille loss of the suction tube, and loses a little with
        the vacuum that takes. When even the whole vacuum is not enough, the vacuum alone sets the flow: it starves.
        sunk_m: how far the container's surface has sunk since it was full.
        """
        vacuum_pa = 1000 * self.truth.pump.suction_kpa
        lift_pa, loss_pa_per_ml_s = self._suction(fluids, flow_ml_s, sunk_m)
        if lift_pa >= vacuum_pa:
            return 0.0
        loss = self.truth.pump.suction_loss
        full_pa = loss_pa_per_ml_s * flow_ml_s
        # Solves fill = 1 - loss * (lift + full * fill) / vacuum for fill.
        fill = (1 - loss * lift_pa / vacuum_pa) / (1 + loss * full_pa / vacuum_pa)
        if lift_pa + full_pa * fill > vacuum_pa:
            fill = (vacuum_pa - lift_pa) / full_pa
        return fill

    def _suction(self, fluids: Mapping[str, FluidTruth], flow_ml_s: float, sunk_m: float) -> tuple[float, float]:
        """Lift (Pa) and loss per flow (Pa s/mL) of the suction side."""
        whole_ml = self.truth.suction_ml
        if whole_ml <= 0:
            return 0.0, 0.0
        density = viscosity = 0.0
        for fluid, volume_ml in self.on_suction_side():
            share = volume_ml / whole_ml
            density += share * fluids[fluid].density_kg_m3
            viscosity += share * fluids[fluid].viscosity_mpa_s
        bore_m = self.truth.bore_mm / 1000
        # Hagen-Poiseuille: dp = 128 eta L Q / (pi d^4), here with mPa*s and mL/s.
        loss = 128 * 1e-3 * viscosity * self.truth.suction_m * 1e-6 / (math.pi * bore_m**4)
        if self.truth.is_turbulent and viscosity > 0:
            reynolds = 4 * density * flow_ml_s * 1e-3 / (math.pi * viscosity * bore_m)
            if reynolds > TURBULENT_REYNOLDS:
                # Blasius over Hagen-Poiseuille: 0.3164 / Re^0.25 over 64 / Re.
                loss *= 0.3164 / 64 * reynolds**0.75
        return density * GRAVITY_M_S2 * (self.truth.lift_m + sunk_m), loss

    def until_change_ml(self, container: SourceContainer | None) -> float:
        """Volume that can pass before the flow, or what leaves the tube, may change."""
        inlet = container.liquid if container and container.remaining_ml > 0 else AIR
        limit_ml = container.remaining_ml if container and container.remaining_ml > 0 else math.inf
        if len(self.slugs) > 1:
            limit_ml = min(limit_ml, self.slugs[0][1])
        if any(fluid != inlet for fluid, _ in self.on_suction_side()):
            # A front travels through the suction tube: its loss changes by steps of an eighth.
            limit_ml = min(limit_ml, self.truth.suction_ml / 8)
        return limit_ml
