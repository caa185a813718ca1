"""The scale under the glass, as people set it up: what it shows, its zero, its span, what is wrong with it."""

import math
from collections import deque
from collections.abc import Sequence
from statistics import fmean

from msgspec.structs import replace

from controller.clock import Clock
from controller.engine.guard_mirror import GuardMirror
from controller.errors import Refused
from controller.metering import load_cell
from controller.metering.load_cell import Steady
from controller.metering.load_history import Minute, slow_findings
from controller.model.messages import ScaleReport, TakeScale
from controller.model.profile import Profile
from controller.model.scale import DOUBTS, Reading, Scale, ScaleSetting, Span
from controller.model.scale_views import ScaleView, SpanRequest, SpanView, ZeroRequest

WITHIN_S = 5.0  # readings that are looked at
ENOUGH_S = 2.0  # of readings since zero or span was asked for, at the least
ZERO_GOOD_S = 900.0  # a span is found against a zero no older than this
PACE_S = 2.0  # of readings under way, from which the pace is known
MINUTE_S, MINUTES_KEPT = 60.0, 24 * 60
NO_DRIFT = 0.01  # of the capacity; a load beyond it is no drift of the zero
LEAST_MASS = 0.02  # of the capacity; with less, a span would be too uncertain
WORTHLESS = ("silent", "unreadable", "saturated", "repeats")  # doubts that leave nothing to set up by


class ScaleSetup:
    """Asks the guard, who keeps zero and span; looks at its readings meanwhile."""

    def __init__(self, *, profile: Profile, clock: Clock, mirror: GuardMirror) -> None:
        self._scale, self._clock, self._mirror = profile.scale, clock, mirror
        self._minutes: deque[Minute] = deque(maxlen=MINUTES_KEPT)
        self._minute_s = clock.now_s() + MINUTE_S
        self._pace_findings: tuple[str, ...] = ()

    def note_readings(self) -> None:
        """Readings have come: keep the mean of each whole minute at rest."""
        now_s = self._clock.now_s()
        if self._mirror.is_under_way():
            self._pace(now_s)
        if now_s < self._minute_s:
            return
        self._minute_s = now_s + MINUTE_S
        loads_g = [one.load_g for one in self._since(now_s - MINUTE_S) if one.load_g is not None and not one.doubt]
        if len(loads_g) >= load_cell.LEAST_READINGS and not self._mirror.is_under_way():
            self._minutes.append(Minute(at_s=now_s, load_g=fmean(loads_g)))

    def _pace(self, now_s: float) -> None:
        """Once an operation has been under way for a while, every reading of the last seconds was wanted."""
        current = self._mirror.current
        if self._scale is not None and current is not None and current.origin_s is not None:
            wanted = self._since(max(current.origin_s, now_s - PACE_S))
            if wanted and now_s >= current.origin_s + PACE_S:
                self._pace_findings = load_cell.rate_findings(wanted, self._scale)

    def view(self) -> ScaleView:
        """The scale now; Refused without one."""
        scale, report, found = self._require_scale(), self._report(), self._steady()
        setting = report.setting
        view = ScaleView(
            doubt=report.doubt, says=DOUBTS[report.doubt], setting=setting, capacity_g=scale.capacity_g,
            findings=self._findings(scale, report, found),
        )  # fmt: skip
        if found is None:
            return view
        view = replace(view, readings_per_s=(found.readings - 1) / found.lasts_s if found.lasts_s > 0 else 0.0)
        load_g = setting.load_g(found.counts)
        if load_g is None or setting.span is None:
            return view
        per_g, of_span_g = abs(setting.span.counts_per_g), setting.span.u_fraction * load_g
        u_g = (found.u_counts**2 + setting.u_zero_counts**2) ** 0.5 / per_g
        return replace(
            view, load_g=load_g, u_load_g=(u_g**2 + of_span_g**2) ** 0.5, noise_g=found.spread_counts / per_g
        )

    def zero(self, request: ZeroRequest, since_s: float) -> ScaleSetting:
        """The empty platform shows nothing from now on; what the guard is asked for.

        Only readings since since_s (monotonic) count. Refused while they are too few or the load moves, or with a load
        that no drift makes.
        """
        scale, report = self._require_scale(), self._report()
        found = self._require_rest(scale, report, since_s)
        load_g = report.setting.load_g(found.counts)
        if load_g is not None and abs(load_g) > NO_DRIFT * scale.capacity_g and not request.sure:
            raise Refused(
                rule="scale_zero",
                reason=f"the scale shows {load_g:.1f} g by the zero before: no zero drifts so far.",
                remedy="Take everything off the platform. When it is empty and was rebuilt, say that you are sure.",
            )
        wall_s = self._clock.wall_s()
        setting = replace(report.setting, zero_counts=found.counts, u_zero_counts=found.u_counts, zeroed_wall_s=wall_s)
        self._mirror.ask(TakeScale(setting=setting), "take_scale")
        return setting

    def span(self, request: SpanRequest, since_s: float) -> SpanView:
        """The mass on the platform says how many counts make a gram, by readings since since_s (monotonic) alone.

        Refused while these are too few or the mass moves, without a fresh zero, or when counts go the wrong way.
        """
        scale, report = self._require_scale(), self._report()
        setting, wall_s = report.setting, self._clock.wall_s()
        if setting.zeroed_wall_s is None or not 0.0 <= wall_s - setting.zeroed_wall_s <= ZERO_GOOD_S:
            reason = f"the zero is older than {ZERO_GOOD_S / 60:g} min, or there is none."
            raise Refused(rule="scale_zero", reason=reason, remedy="Empty the platform, then: tundish scale zero")
        if not LEAST_MASS * scale.capacity_g <= request.mass_g <= scale.capacity_g - scale.platform_g:
            raise Refused(
                rule="scale_mass",
                reason=f"a mass of {request.mass_g:g} g does not suit a cell of {scale.capacity_g:g} g.",
                allowed=f"{LEAST_MASS * scale.capacity_g:g} g to {scale.capacity_g - scale.platform_g:g} g",
                remedy="Take one about as heavy as a full glass.",
            )
        found = self._require_rest(scale, report, since_s)
        counts_per_g = (found.counts - setting.zero_counts) / request.mass_g
        _require_sign(counts_per_g, load_cell.expected_counts_per_g(scale, ScaleSetting()))
        budget = load_cell.span_budget(
            found, setting, scale, counts_per_g=counts_per_g, mass_g=request.mass_g, tolerance_g=request.tolerance_g
        )
        u_fraction = load_cell.u_span_g(budget) / request.mass_g
        span = Span(counts_per_g=counts_per_g, u_fraction=u_fraction, mass_g=request.mass_g, wall_s=wall_s)
        self._mirror.ask(TakeScale(setting=replace(setting, span=span)), "take_scale")
        self._minutes.clear()
        return SpanView(
            counts_per_g=counts_per_g,
            mass_g=request.mass_g,
            u_percent=100.0 * u_fraction,
            budget=budget,
            findings=load_cell.span_findings(counts_per_g, scale),
        )

    @property
    def in_force(self) -> ScaleSetting:
        """Zero and span as the guard has them."""
        return self._report().setting

    # --- inside

    def _require_scale(self) -> Scale:
        if self._scale is None:
            remedy = "Write it under scale: in the profile, then restart guard and engine."
            raise Refused(rule="scale", reason="the profile has no scale under the glass.", remedy=remedy)
        return self._scale

    def _report(self) -> ScaleReport:
        report = self._mirror.require_guard().scale
        if report is None:
            raise Refused(rule="scale", reason="the guard has no scale.", remedy="Restart it with the same profile.")
        return report

    def _since(self, since_s: float) -> Sequence[Reading]:
        return self._mirror.readings_since(since_s)

    def _steady(self, since_s: float = -math.inf) -> Steady | None:
        first_s = max(since_s, self._clock.now_s() - WITHIN_S - 1.0)  # the guard sends them once a second at rest
        return load_cell.steady([one for one in self._since(first_s) if one.doubt not in WORTHLESS])

    def _require_rest(self, scale: Scale, report: ScaleReport, since_s: float) -> Steady:
        self._mirror.require_ready()
        found = self._steady(since_s)
        if report.doubt in WORTHLESS or found is None or found.lasts_s < ENOUGH_S:
            why = DOUBTS[report.doubt] if report.doubt in WORTHLESS else "there are too few readings yet"
            raise Refused(rule="scale_doubtful", reason=f"{why}.", remedy="See tundish scale check.")
        if load_cell.is_restless(found, load_cell.expected_counts_per_g(scale, report.setting)):
            reason = "the load has moved within the last seconds."
            raise Refused(rule="scale_restless", reason=reason, remedy=f"Hands off for {WITHIN_S + 1:g} s, then again.")
        return found

    def _findings(self, scale: Scale, report: ScaleReport, found: Steady | None) -> tuple[str, ...]:
        readings = self._mirror.readings
        load_g = None if found is None else report.setting.load_g(found.counts)
        is_empty = None if load_g is None else abs(load_g) <= NO_DRIFT * scale.capacity_g
        latest = replace(readings[-1], doubt=report.doubt) if readings else None
        quick = load_cell.findings(found, latest, scale, report.setting, is_empty=is_empty)
        return quick + self._pace_findings + slow_findings(tuple(self._minutes), scale)


def _require_sign(counts_per_g: float, expected: float) -> None:
    if counts_per_g < -0.1 * expected:
        raise Refused(
            rule="scale_sign",
            reason="more load makes fewer counts.",
            remedy="Swap the two signal wires of the load cell (S+ and S-), or turn the cell so that its arrow points "
            "down; then zero and span again.",
        )
    if counts_per_g < 0.1 * expected:
        raise Refused(
            rule="scale_mass",
            reason=f"the mass makes {counts_per_g:.0f} counts a gram, where some {expected:.0f} are usual.",
            remedy="Put the mass on the platform, and see that the platform stands on the cell alone.",
        )
