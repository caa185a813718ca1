"""Whether calibrations still hold: spot checks, age, and what another liquid would do."""

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

from controller.engine.common import Common
from controller.engine.scaling import smallest_reliable_ml
from controller.engine.weighing import Weighings
from controller.errors import Refused
from controller.ledger.store import Weighing
from controller.metering.calibration import law_of
from controller.metering.drift import Age, Chart, DriftVerdict, chart, judge
from controller.metering.liquid_factor import LiquidFactor, expected_factor, measured_factor, with_factor
from controller.model.calibration import Calibration
from controller.model.requests import SpotCheckRequest
from controller.model.views import SpotCheckView

DAY_S, HOUR_S = 86_400.0, 3_600.0


@dataclass(frozen=True, kw_only=True)
class Checked:
    """A spot check, and the calibration that it carries over to another liquid, if it was asked to."""

    view: SpotCheckView
    carried_over: Calibration | None


class SpotChecks:
    """The chart of every line since its calibration; the weighings live in the ledger."""

    def __init__(self, common: Common, weighings: Weighings) -> None:
        self._profile, self._book, self._ledger = common.profile, common.book, common.ledger
        self._clock, self._weighings = common.clock, weighings

    def check(
        self, request: SpotCheckRequest, liquid: str, held: Calibration | None, *, u_span: float = 0.0
    ) -> Checked:
        """Add a weighed run to the line's chart, or hold it against a calibration with another liquid.

        u_span: relative standard uncertainty of the span of the machine's own scale, if that weighed it. Refused when
        the line has no calibration at all.
        """
        reason = f"line {request.line} has no calibration that could be checked."
        if held is not None and held.liquid not in {one.liquid for one in self._book.liquids}:
            reason = f"line {request.line} was calibrated with {held.liquid}, which the book does not know any more."
            held = None
        if held is None:
            remedy = f"Calibrate it: tundish calibrate {request.line}"
            raise Refused(rule="calibration", reason=reason, remedy=remedy)
        on_s = self._weighings.on_s(request.operation, request.line)
        if law_of(held).delivered_ml(on_s) <= 0.0:
            raise Refused(
                rule="run time",
                reason=f"a run of {on_s:g} s ends within the lag of {held.lag_s:.2f} s.",
                remedy="Run longer.",
            )
        read = self._weighings.weighed(request, on_s, liquid)
        weighed = msgspec.structs.replace(read, purpose="spot check", u_factor=u_span or read.u_factor)
        self._record(weighed)
        if held.liquid != liquid:
            return self._another_liquid(request, weighed, held)
        return Checked(view=self._of_same_liquid(weighed, held), carried_over=None)

    def verdict(self, held: Calibration) -> DriftVerdict:
        """The worse of the line's chart and the calibration's age."""
        return judge(self._chart(held), self._age(held), self._limits())

    def strike_last(self, line: int, liquid: str) -> None:
        """Strike the line's last spot check, when its weight was wrong; Refused when there is none."""
        checks = self._ledger.open_weighings(line, "spot check", liquid=liquid)
        if not checks:
            raise Refused(rule="trials", reason=f"line {line} has no spot check that could be struck.")
        booked = [] if checks[-1].is_struck else checks[-1:]
        back = self._weighings.corrections(line, liquid, booked, undo=True)
        self._ledger.strike([checks[-1].seq], struck=True, corrections=back)

    def _record(self, weighed: Weighing) -> None:
        """Record a check and what it drew, in one; said again (a kill in between, a better weight) it counts once."""
        line, liquid = weighed.line, weighed.liquid
        checks = self._ledger.open_weighings(line, "spot check", liquid=liquid)
        before = [one for one in checks if one.operation == weighed.operation and not one.is_struck]
        back = self._weighings.corrections(line, liquid, before, undo=True)
        self._ledger.weigh([weighed], corrections=[*back, *self._weighings.corrections(line, liquid, [weighed])])

    def _chart(self, held: Calibration) -> Chart:
        """The checks that count; one that ended within the lag says nothing of the flow."""
        law = law_of(held)
        checks = self._ledger.open_weighings(held.line, "spot check", liquid=held.liquid)
        counted = [one for one in checks if not one.is_struck and law.delivered_ml(one.on_s) > 0.0]
        return chart(law, [self._weighings.trial(one) for one in counted])

    def require_small_doses_allowed(self, doses_ml: Mapping[int, float], in_force: Mapping[int, Calibration]) -> None:
        """Refused when a dose below the profile's small dose is asked of a line whose calibration has drifted."""
        smallest_ml = self._profile.ageing.small_dose_ml
        for line, volume_ml in doses_ml.items():
            if volume_ml >= smallest_ml or line not in in_force:
                continue
            verdict = self.verdict(in_force[line])
            if verdict.blocks_small_doses:
                raise Refused(
                    rule="drift",
                    reason=f"line {line} is blocked for doses under {smallest_ml:g} mL. {' '.join(verdict.reasons)}",
                    asked=f"{volume_ml:.1f} mL",
                    allowed=f"{smallest_ml:g} mL or more",
                    remedy=f"Calibrate it again: tundish calibrate {line}",
                )

    def least_share_ml(self, in_force: Calibration) -> float:
        """The smallest share of a dose that a line with twins may have, mL."""
        smallest_ml = smallest_reliable_ml(in_force)
        is_blocked = self.verdict(in_force).blocks_small_doses
        return max(smallest_ml, self._profile.ageing.small_dose_ml) if is_blocked else smallest_ml

    def expected(self, held: Calibration, liquid: str) -> LiquidFactor:
        """What the tube lets one expect of another liquid."""
        line = self._profile.line(held.line)
        return expected_factor(line, self._book.liquid(held.liquid), self._book.liquid(liquid))

    def _of_same_liquid(self, weighed: Weighing, held: Calibration) -> SpotCheckView:
        drawn = self._chart(held)
        verdict = judge(drawn, self._age(held), self._limits())
        last = drawn.points[-1]
        return SpotCheckView(
            line=held.line,
            liquid=weighed.liquid,
            status=verdict.status,
            checks=len(drawn.points),
            expected_ml=law_of(held).delivered_ml(weighed.on_s),
            volume_ml=last.volume_ml,
            error_percent=100.0 * last.fraction,
            cusum=max(last.high, last.low),
            reasons=verdict.reasons,
            blocks_small_doses=verdict.blocks_small_doses,
        )

    def _another_liquid(self, request: SpotCheckRequest, weighed: Weighing, held: Calibration) -> Checked:
        checks = self._ledger.open_weighings(held.line, "spot check", liquid=weighed.liquid)
        trials = [self._weighings.trial(one) for one in checks if not one.is_struck]
        expected = self.expected(held, weighed.liquid)
        found = measured_factor(held, weighed.liquid, trials, expected)
        calibrated_ml = law_of(held).delivered_ml(weighed.on_s)
        volume_ml = trials[-1].volume_ml
        view = SpotCheckView(
            line=held.line,
            liquid=weighed.liquid,
            status="another liquid",
            checks=len(trials),
            expected_ml=expected.ratio * calibrated_ml,
            volume_ml=volume_ml,
            error_percent=100.0 * (volume_ml / (expected.ratio * calibrated_ml) - 1.0),
            cusum=0.0,
            reasons=(f"The line was calibrated with {held.liquid}; {weighed.liquid} hangs there now.",),
            factor=found.ratio,
            u_factor=found.u_ratio,
            expected_factor=expected.ratio,
            u_expected_factor=expected.u_ratio,
            adopted=request.adopt,
        )
        return Checked(view=view, carried_over=with_factor(held, found) if request.adopt else None)

    def _age(self, held: Calibration) -> Age:
        delivered_ml, on_s = self._ledger.past.throughput(held.line, held.taken_wall_s)
        return Age(
            days=max(0.0, self._clock.wall_s() - held.taken_wall_s) / DAY_S,
            litres=delivered_ml / 1000.0,
            run_hours=on_s / HOUR_S,
        )

    def _limits(self) -> Age:
        ageing = self._profile.ageing
        return Age(days=ageing.age_s / DAY_S, litres=ageing.throughput_ml / 1000.0, run_hours=ageing.running_s / HOUR_S)
