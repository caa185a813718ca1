"""From grams on a scale to a calibration."""

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Literal

import msgspec

from controller.engine.common import Common
from controller.engine.doubts import doubts, require_possible
from controller.engine.sag_trials import require_trial
from controller.engine.stock_uncertainty import GUARD_BOUND
from controller.errors import OutOfRange, Refused, TundishError
from controller.ledger.records import Correction
from controller.ledger.store import Weighing
from controller.metering.budget import dose_budget
from controller.metering.calibration import DEFAULT_PRIOR, Fit, Prior, Trial, fit, law_of, to_calibration
from controller.metering.density import liquid_kg_m3
from controller.metering.design import design_trials, next_run_time_s
from controller.metering.dose import mi008_ml, predict, smallest_dose_ml
from controller.metering.flow_law import FlowLaw
from controller.metering.gravimetry import EVAPORATION_G, U_HOLD_UP_ML, Volume, liquid_volume_ml
from controller.metering.pooled_prior import pooled_prior
from controller.metering.residuals import mean_ml
from controller.model.calibration import Calibration
from controller.model.fields import like
from controller.model.requests import CalibrationRequest, SpotCheckRequest, TrialsRequest, WeighedTrial, WeighingRequest
from controller.model.views import DoseError, FitView, TrialView
from controller.model.weighing import Budget, FitRemark, StrikeRequest

MOST_TRIALS = 12
LONGEST_TRIAL_ML = 60.0  # a pump scatters in proportion to what it moves: more runs say more than longer ones
FEW_TRIALS = 5
BUDGET_ML = 50.0  # the dose whose uncertainty is taken apart
# A weighed run outside these, as shares of what is expected of it at all, does not change the stock; practice here.
WRONG_BELOW, WRONG_ABOVE = 0.5, 1.05
FIRST_S = 8.0  # of the first trial, before anything is known of the pump
DOSES_ML = (5.0, 10.0, 15.0, 25.0, 50.0, 75.0, 100.0, 150.0, 200.0, 250.0)


class Weighings:
    """The weighed trials of every line that no calibration has settled yet; they live in the ledger."""

    def __init__(self, common: Common) -> None:
        self._profile, self._book, self._ledger = common.profile, common.book, common.ledger
        self._clock, self._work = common.clock, common.work

    def weighed(self, request: WeighingRequest | SpotCheckRequest, on_s: float, liquid: str) -> Weighing:
        """A run with what the scale said, and how well that scale knows it."""
        read = self._read(WeighedTrial(on_s=on_s, grams=request.grams, u_grams=request.u_grams), request.line, liquid)
        return msgspec.structs.replace(read, operation=request.operation)

    def _read(self, run: WeighedTrial, line: int, liquid: str) -> Weighing:
        known = {"operation": None, "line": line, "wall_s": self._clock.wall_s(), "liquid": liquid}
        if run.u_grams is not None:
            return like(Weighing, run, **known)
        scale = self._profile.weighing
        return like(Weighing, run, scale, u_grams=scale.u_net_g, **known)

    def rows(self, request: TrialsRequest, liquid: str) -> tuple[Weighing, ...]:
        """Trials that were run and weighed earlier; nothing is on record yet."""
        return tuple(self._read(one, request.line, liquid) for one in request.trials)

    def strike(self, request: StrikeRequest, liquid: str) -> None:
        """Strike or restore one of the open trials, or all; Refused when there is none of that number."""
        rows = self._ledger.open_weighings(request.line, liquid=liquid)
        if request.trial is not None and request.trial > len(rows):
            raise Refused(
                rule="trials",
                reason=f"line {request.line} has no open trial {request.trial}.",
                asked=str(request.trial),
                allowed=f"1 to {len(rows)}" if rows else "none",
                remedy=f"List them: tundish calibration {request.line}",
            )
        wanted = rows if request.trial is None else rows[request.trial - 1 : request.trial]
        self._ledger.strike([one.seq for one in wanted], struck=request.struck)

    def on_s(self, operation: str, line: int) -> float:
        """How long an ended trial ran this line alone, s; Refused when it did not."""
        on_s = {one.line: one.on_s for one in require_trial(self._ledger, operation).deliveries}
        if set(on_s) != {line}:
            ran = ", ".join(map(str, sorted(on_s)))
            raise Refused(
                rule="weighing",
                reason=f"operation {operation} ran line {ran}, not line {line} alone.",
                remedy="Weigh a trial of this line alone, or weigh the trial of several lines as one jar.",
            )
        return on_s[line]

    def settle(self, view: FitView, *, accepted: bool) -> None:
        """The line's trials stand behind its calibration or are thrown away; those that did not count always are."""
        corrections: list[Correction] = []
        if accepted:
            rows = self._ledger.open_weighings(view.line, liquid=view.liquid)
            lost = [one.seq for one, shown in zip(rows, view.trials, strict=True) if shown.state != "counts"]
            self._ledger.strike(lost, struck=True)
            corrections = self.corrections(view.line, view.liquid, [one for one in rows if one.seq not in lost])
        self._ledger.settle_weighings(view.line, view.liquid, accepted=accepted, corrections=corrections)

    def corrections(self, line: int, liquid: str, rows: Sequence[Weighing], *, undo: bool = False) -> list[Correction]:
        """What takes from the container what these trials weighed, not what their run times let expect; undo: back."""
        looked = self._ledger.notes.latest(line, "stock")
        known = [one.taken_wall_s for one in self._ledger.calibrations(line) if one.liquid == liquid]
        found, sign = list[Correction](), -1.0 if undo else 1.0
        for one in rows:
            entry = None if one.operation is None else self._ledger.entry(one.operation)
            if entry is None or (looked is not None and looked.wall_s >= entry.asked_wall_s):
                continue  # somebody has looked since: that counts
            volume, booked = self._volume(one), next(drawn for drawn in entry.deliveries if drawn.line == line)
            if not WRONG_BELOW * booked.delivered_ml <= volume.volume_ml <= WRONG_ABOVE * booked.worst_ml:
                continue  # no pump does that: the weight is wrong
            by_bound = min(known, default=math.inf) > entry.asked_wall_s
            surer_ml = max(0.0, booked.worst_ml - booked.delivered_ml) / GUARD_BOUND if by_bound else 0.0
            found.append(
                Correction(
                    line=line,
                    liquid=liquid,
                    asked_wall_s=entry.asked_wall_s,
                    more_ml=sign * (volume.volume_ml - booked.delivered_ml),
                    surer_ml=sign * surer_ml,
                    random_ml2=sign * volume.u_own_ml**2,
                )
            )
        return found

    def view(
        self, line: int, liquid: str, in_force: Mapping[int, Calibration], *, added: Sequence[Weighing] = ()
    ) -> FitView:
        """The line's fit from its open trials, or the calibration in force when there are none. Never fails on them.

        added: trials that will be recorded next, each in place of an earlier weighing of the same operation.
        """
        anew = {one.operation for one in added} - {None}
        open_rows = self._ledger.open_weighings(line, liquid=liquid)
        if rows := (*(one for one in open_rows if one.operation not in anew), *added):
            try:
                return self.view_of(line, liquid, rows, in_force)
            except TundishError as error:
                return self._without_fit(line, liquid, rows, str(error))
        known = in_force.get(line)
        law = None if known is None else law_of(known)
        behind = () if known is None else self._ledger.weighings_behind(known.line, known.liquid)
        return msgspec.structs.replace(
            self._outlook(line, liquid, law),
            calibration=known,
            behind=() if law is None else tuple(_row(one, self._volume(one), law) for one in behind),
            design=self._design(line),
            budget=None if law is None else self._work(_budget, law, [self._volume(one) for one in behind]),
        )

    def view_of(self, line: int, liquid: str, rows: Sequence[Weighing], in_force: Mapping[int, Calibration]) -> FitView:
        """The fit of these trials; Refused or OutOfRange when there is none."""
        counted = [index for index, one in enumerate(rows) if not one.is_struck]
        volumes = [self._volume(one) for one in rows]
        trials = [_trial(rows[index], volumes[index], index + 1) for index in counted]
        u_common = max((volumes[index].u_common for index in counted), default=0.0)
        fitted = self._work(fit, trials, self._prior(line, len(trials), in_force), u_common=u_common)
        left_out = {counted[index] for index in fitted.left_out}
        shown = [
            _row(one, volume, fitted, "struck" if one.is_struck else "left out" if k in left_out else "counts")
            for k, (one, volume) in enumerate(zip(rows, volumes, strict=True))
        ]
        new = self._with_known_sag(to_calibration(fitted, line, liquid), in_force.get(line))
        next_on_s = self._next_on_s(fitted)
        next_ml = None if next_on_s is None else mean_ml(fitted, next_on_s, 0.0)
        return msgspec.structs.replace(
            self._outlook(line, liquid, fitted),
            trials=tuple(shown),
            calibration=new,
            warnings=fitted.warnings,
            next_on_s=next_on_s,
            next_grams=None if next_ml is None else next_ml * self._density_kg_m3(liquid) / 1000.0,
            doubts=doubts(self._profile, self._book, fitted, new, self._last(line, liquid)),
            budget=self._work(_budget, fitted, [volumes[index] for index in counted if index not in left_out]),
        )

    def _without_fit(self, line: int, liquid: str, rows: Sequence[Weighing], why: str) -> FitView:
        """Trials that no fit comes out of: listed all the same, so that the wrong ones can be struck."""
        struck = all(one.is_struck for one in rows)
        return msgspec.structs.replace(
            self._outlook(line, liquid, None),
            trials=tuple(_row(one, self._volume(one), None, "struck" if one.is_struck else "counts") for one in rows),
            warnings=() if struck else (FitRemark(about="none", text=why),),
        )

    def _last(self, line: int, liquid: str) -> Calibration | None:
        """The line's last calibration with this liquid."""
        with_it = [one for one in self._ledger.calibrations(line) if one.liquid == liquid]
        return with_it[-1] if with_it else None

    def calibration(self, view: FitView, request: CalibrationRequest | TrialsRequest) -> Calibration:
        """The calibration to put in force; Refused when there is none, when it cannot be, or while it is in doubt."""
        counted = sum(one.state == "counts" for one in view.trials)
        if view.calibration is None or not counted:
            raise Refused(
                rule="calibration",
                reason=" ".join(
                    (f"line {view.line} has no open trials to calibrate from.", *(one.text for one in view.warnings))
                ),
                remedy=f"Run and weigh trials first: tundish calibrate {view.line}",
            )
        require_possible(self._profile, view.calibration)
        waived = not isinstance(request, TrialsRequest)  # a file is no person who looked
        open_doubts = [one for one in view.doubts if not (request.sure and (waived or one.about == "change"))]
        if open_doubts:
            raise Refused(
                rule="doubt",
                reason=" ".join(one.text for one in open_doubts),
                remedy="Look at the trials and strike what is wrong."
                + (
                    " If the pump really is so, say --sure." if {one.about for one in open_doubts} == {"change"} else ""
                ),
            )
        return msgspec.structs.replace(
            view.calibration,
            taken_by=request.by,
            taken_wall_s=self._clock.wall_s(),
            temperature_c=request.temperature_c,
            note=f"{counted} weighed trials",
        )

    def _density_kg_m3(self, liquid: str) -> float:
        """Volumes are meant at 20 C, the reference temperature of serving measures (OIML R 138:2007)."""
        return liquid_kg_m3(self._book.liquid(liquid), 20.0)[0]

    def trial(self, weighed: Weighing) -> Trial:
        """The weighed volume with its own uncertainty."""
        return _trial(weighed, self._volume(weighed))

    def _volume(self, weighed: Weighing) -> Volume:
        return liquid_volume_ml(
            weighed.grams * weighed.factor,
            self._book.liquid(weighed.liquid),
            u_mass_g=weighed.u_grams * weighed.factor,
            u_factor=weighed.u_factor,
            evaporation_g=EVAPORATION_G if weighed.grams > 0.0 else 0.0,
            u_hold_up_ml=U_HOLD_UP_ML,
        )

    def _prior(self, line: int, trials: int, in_force: Mapping[int, Calibration]) -> Prior | None:
        """While trials are few, what the other lines of this machine have taught."""
        others = [known for number, known in in_force.items() if number != line]
        if trials >= FEW_TRIALS or not others:
            return None
        nominal = {one.line: one.pump.nominal_flow_ml_s for one in self._profile.lines}
        return pooled_prior(others, nominal, line)

    def _with_known_sag(self, fresh: Calibration, known: Calibration | None) -> Calibration:
        """A trial alone says nothing about sag: what was learned before stays; before that, the usual value."""
        if known is not None and known.u_sag_per_a > 0.0:
            return msgspec.structs.replace(fresh, sag_per_a=known.sag_per_a, u_sag_per_a=known.u_sag_per_a)
        return msgspec.structs.replace(fresh, sag_per_a=DEFAULT_PRIOR.sag_per_a, u_sag_per_a=DEFAULT_PRIOR.u_sag_per_a)

    def _outlook(self, line: int, liquid: str, law: FlowLaw | None) -> FitView:
        """What a law promises, before trials and calibration are filled in."""
        first_s = self._first_s(line)
        density_kg_m3 = self._density_kg_m3(liquid)
        flow_ml_s = self._profile.line(line).pump.nominal_flow_ml_s if law is None else law.flow_ml_s
        return FitView(
            line=line,
            liquid=liquid,
            density_kg_m3=density_kg_m3,
            trials=(),
            calibration=None,
            scatter_ml=None if law is None else law.scatter.at_ml(50.0),
            smallest_dose_ml=None if law is None else self._work(smallest_dose_ml, law),
            doses=() if law is None else tuple(self._work(_dose_errors, law)),
            warnings=(),
            next_on_s=first_s,
            next_grams=flow_ml_s * first_s * density_kg_m3 / 1000.0,
            scale=self._profile.weighing.name,
        )

    def _design(self, line: int) -> str:
        """Which trials reach the legal tolerance with the least liquid, by the pump's data sheet."""
        try:
            nominal_ml_s = self._profile.line(line).pump.nominal_flow_ml_s
            return self._work(design_trials, nominal_ml_s, most_ml=self._most_ml()).reason
        except Refused as refusal:
            return refusal.reason

    def _most_ml(self) -> float:
        return min(LONGEST_TRIAL_ML, 0.8 * self._profile.caps.line_volume_ml)

    def _first_s(self, line: int) -> float:
        return min(FIRST_S, self._most_ml() / self._profile.line(line).pump.nominal_flow_ml_s)

    def _next_on_s(self, fitted: Fit) -> float | None:
        if len(fitted.trials) - len(fitted.left_out) >= MOST_TRIALS:
            return None
        return next_run_time_s(fitted, tolerance=aim_ml, most_ml=self._most_ml())


def _budget(law: FlowLaw, volumes: Sequence[Volume]) -> Budget | None:
    try:
        return dose_budget(law, volumes, BUDGET_ML) if volumes else None
    except OutOfRange:  # a line that cannot meter such a dose
        return None


def _trial(weighed: Weighing, volume: Volume, number: int = 0) -> Trial:
    step_ml = weighed.step_g * volume.volume_ml / weighed.grams if weighed.grams > 0.0 else weighed.step_g
    return Trial(
        on_s=weighed.on_s, volume_ml=volume.volume_ml, u_volume_ml=volume.u_own_ml, step_ml=step_ml, number=number
    )


def _row(
    weighed: Weighing, volume: Volume, law: FlowLaw | None, state: Literal["counts", "left out", "struck"] = "counts"
) -> TrialView:
    return like(
        TrialView,
        weighed,
        operation=weighed.operation or "from a file",
        volume_ml=volume.volume_ml,
        others_a=0.0,
        residual_ml=None if law is None else volume.volume_ml - mean_ml(law, weighed.on_s, 0.0),
        state=state,
    )


def aim_ml(dose_ml: float) -> float:
    """What a calibration aims at: every dose within a quarter of the legal tolerance; the rest is left for drift."""
    return 0.25 * mi008_ml(dose_ml)


def _dose_errors(law: FlowLaw) -> list[DoseError]:
    found = []
    for dose_ml in DOSES_ML:
        with suppress(OutOfRange):  # below what this line can meter
            expected = predict(law, dose_ml)
            found.append(like(DoseError, expected, run_s=expected.run_time_s))
    return found
