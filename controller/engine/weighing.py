"""From grams on a scale to a calibration."""

from collections.abc import Mapping

import msgspec

from controller.clock import Clock
from controller.errors import OutOfRange, Refused
from controller.ledger.store import Entry, Ledger, Weighing
from controller.metering.calibration import DEFAULT_PRIOR, Fit, Prior, Trial, fit, law_of, to_calibration
from controller.metering.density import liquid_kg_m3
from controller.metering.design import design_trials, next_run_time_s
from controller.metering.dose import mi008_ml, predict, smallest_dose_ml
from controller.metering.flow_law import FlowLaw
from controller.metering.gravimetry import liquid_volume_ml
from controller.metering.pool import pooled_prior
from controller.metering.together import Sag, Share, sag_together
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.profile import Profile
from controller.model.states import OperationKind, Outcome
from controller.model.views import (
    CalibrationRequest,
    DoseError,
    FitView,
    SagView,
    TogetherRequest,
    TrialsRequest,
    TrialView,
    WeighingRequest,
)

MOST_TRIALS = 12
LONGEST_TRIAL_ML = 60.0  # a pump scatters in proportion to what it moves: more runs tell more than longer ones
FEW_TRIALS = 5
FIRST_S = 8.0  # of the first trial, before anything is known of the pump
DOSES_ML = (5.0, 10.0, 15.0, 25.0, 50.0, 75.0, 100.0, 150.0, 200.0, 250.0)


class Weighings:
    """The weighed trials of every line that no calibration has settled yet; they live in the ledger."""

    def __init__(self, *, profile: Profile, book: Book, ledger: Ledger, clock: Clock) -> None:
        self._profile, self._book, self._ledger, self._clock = profile, book, ledger, clock

    def add(self, request: WeighingRequest, liquid: str) -> None:
        """Add what an ended trial of one line weighed."""
        self._ledger.weigh(
            Weighing(
                operation=request.operation,
                line=request.line,
                on_s=self.on_s(request.operation, request.line),
                grams=request.grams,
                u_grams=request.u_grams,
                wall_s=self._clock.wall_s(),
                liquid=liquid,
            )
        )

    def add_rows(self, request: TrialsRequest, liquid: str) -> None:
        """Add trials that were run and weighed earlier."""
        for one in request.trials:
            self._ledger.weigh(
                Weighing(
                    operation=None,
                    line=request.line,
                    on_s=one.on_s,
                    grams=one.grams,
                    u_grams=one.u_grams,
                    wall_s=self._clock.wall_s(),
                    liquid=liquid,
                )
            )

    def on_s(self, operation: str, line: int) -> float:
        """How long an ended trial ran this line alone, s; Refused when it did not."""
        on_s = {one.line: one.on_s for one in self._require_trial(operation).deliveries}
        if set(on_s) != {line}:
            ran = ", ".join(map(str, sorted(on_s)))
            raise Refused(
                rule="weighing",
                reason=f"operation {operation} ran line {ran}, not line {line} alone.",
                way_out="Weigh a trial of this line alone, or weigh the trial of several lines as one jar.",
            )
        return on_s[line]

    def settle(self, line: int, *, accepted: bool) -> None:
        """The line's weighings are used or thrown away; a new calibration makes its spot checks history too."""
        self._ledger.settle_weighings(line, accepted=accepted)

    def view(self, line: int, liquid: str, in_force: Mapping[int, Calibration]) -> FitView:
        """The line's fit from its open weighings, or the calibration in force when there are none."""
        weighed = self._ledger.open_weighings(line)
        if not weighed:
            known = in_force.get(line)
            outlook = self._outlook(line, liquid, None if known is None else law_of(known))
            return msgspec.structs.replace(
                outlook,
                calibration=known,
                behind=() if known is None else self._behind(known),
                next_on_s=self._next_on_s(line, None),
                design=self._design(line),
            )
        trials = [self.trial(one) for one in weighed]
        fitted = fit(trials, self._prior(line, len(trials), in_force))
        rows = tuple(map(_row, weighed, trials, fitted.residuals_ml))
        return msgspec.structs.replace(
            self._outlook(line, liquid, fitted.law),
            trials=rows,
            calibration=self._with_known_sag(to_calibration(fitted, line, liquid), in_force.get(line)),
            warnings=fitted.warnings,
            next_on_s=self._next_on_s(line, fitted),
        )

    def _behind(self, known: Calibration) -> tuple[TrialView, ...]:
        """The weighings that a calibration was accepted from, against its law."""
        law, weighed = law_of(known), self._ledger.weighings_behind(known.line, known.liquid)
        trials = [self.trial(one) for one in weighed]
        return tuple(
            _row(one, trial, trial.volume_ml - law.delivered_ml(trial.on_s))
            for one, trial in zip(weighed, trials, strict=True)
        )

    def calibration(self, view: FitView, request: CalibrationRequest) -> Calibration:
        """The calibration to put in force; Refused when the view has none from weighings."""
        if view.calibration is None or not view.trials:
            raise Refused(
                rule="calibration",
                reason=f"line {view.line} has no open weighings to calibrate from.",
                way_out=f"Run and weigh trials first: tundish calibrate {view.line}",
            )
        return msgspec.structs.replace(
            view.calibration,
            taken_by=request.by,
            taken_wall_s=self._clock.wall_s(),
            temperature_c=request.temperature_c,
            note=f"{len(view.trials)} weighed trials",
        )

    def together(
        self, request: TogetherRequest, in_force: Mapping[int, Calibration]
    ) -> tuple[SagView, tuple[Calibration, ...]]:
        """What a jar filled by several lines says about sag, and all lines' calibrations with it."""
        entry = self._require_trial(request.operation)
        lacking = [one.line for one in entry.deliveries if one.line not in in_force]
        if lacking:
            raise Refused(
                rule="calibration",
                reason=f"line {', '.join(map(str, lacking))} has no calibration of its own yet.",
                way_out=f"Calibrate it alone first: tundish calibrate {lacking[0]}",
            )
        sag = sag_together(self._shares(entry, in_force), request.grams, request.u_grams)
        lines = tuple(one.line for one in entry.deliveries)
        now_s = self._clock.wall_s()
        # One supply, one sag: it holds for the lines that stood by as well.
        renewed = tuple(
            _with_sag(known, sag, taken_wall_s=now_s, by=request.by or known.taken_by) for known in in_force.values()
        )
        weighed_in = msgspec.structs.replace(sag, sag_per_a=renewed[0].sag_per_a, u_sag_per_a=renewed[0].u_sag_per_a)
        return self._sag_view(lines, request.grams, weighed_in), renewed

    def _shares(self, entry: Entry, in_force: Mapping[int, Calibration]) -> list[Share]:
        shares = []
        for one in entry.deliveries:
            others = [other for other in entry.deliveries if other.line != one.line]
            others_a = sum(
                self._profile.line(other.line).pump.run_a * min(1.0, other.on_s / one.on_s) for other in others
            )
            shares.append(
                Share(
                    calibration=in_force[one.line],
                    on_s=one.on_s,
                    others_a=others_a,
                    density_kg_m3=self._density_kg_m3(one.liquid),
                )
            )
        return shares

    def _sag_view(self, lines: tuple[int, ...], grams: float, sag: Sag) -> SagView:
        warnings = []
        if sag.sag_per_a < 0.0:
            warnings.append(
                "The lines gave more together than alone: a weighing or a calibration is off; repeat the trial."
            )
        return SagView(
            lines=lines,
            grams=grams,
            expected_grams=sag.expected_g,
            sag_per_a=sag.sag_per_a,
            u_sag_per_a=sag.u_sag_per_a,
            warnings=tuple(warnings),
        )

    def _require_trial(self, operation: str) -> Entry:
        entry = self._ledger.entry(operation)
        if entry is None or entry.kind != OperationKind.TRIAL or entry.outcome != Outcome.DONE:
            raise Refused(
                rule="weighing",
                reason=f"operation {operation} is no trial that ran to its end.",
                way_out="Run a trial, let it end, and weigh what it gave.",
            )
        return entry

    def _density_kg_m3(self, liquid: str) -> float:
        """Volumes are meant at 20 C, the reference temperature of serving measures (OIML R 138:2007)."""
        return liquid_kg_m3(self._book.liquid(liquid), 20.0)[0]

    def trial(self, weighed: Weighing) -> Trial:
        """The weighed volume with its uncertainty."""
        measured = liquid_volume_ml(weighed.grams, self._book.liquid(weighed.liquid), u_mass_g=weighed.u_grams)
        return Trial(on_s=weighed.on_s, volume_ml=measured.volume_ml, u_volume_ml=measured.u_volume_ml)

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
        return FitView(
            line=line,
            liquid=liquid,
            density_kg_m3=self._density_kg_m3(liquid),
            trials=(),
            calibration=None,
            scatter_ml=None if law is None else law.scatter.at_ml(50.0),
            smallest_dose_ml=None if law is None else smallest_dose_ml(law),
            doses=() if law is None else tuple(_dose_errors(law)),
            warnings=(),
            next_on_s=None,
        )

    def _design(self, line: int) -> str:
        """Which trials reach the legal tolerance with the least liquid, by the pump's data sheet."""
        most_ml = 0.8 * self._profile.caps.line_volume_ml
        try:
            return design_trials(self._profile.line(line).pump.nominal_flow_ml_s, most_ml=most_ml).reason
        except Refused as refusal:
            return refusal.reason

    def _next_on_s(self, line: int, fitted: Fit | None) -> float | None:
        most_ml = min(LONGEST_TRIAL_ML, 0.8 * self._profile.caps.line_volume_ml)
        if fitted is None:
            return min(FIRST_S, most_ml / self._profile.line(line).pump.nominal_flow_ml_s)
        if len(fitted.trials) >= MOST_TRIALS:
            return None
        return next_run_time_s(fitted, tolerance=aim_ml, most_ml=most_ml)


def _row(weighed: Weighing, trial: Trial, residual_ml: float | None) -> TrialView:
    return TrialView(
        operation=weighed.operation or "from a file",
        on_s=weighed.on_s,
        grams=weighed.grams,
        volume_ml=trial.volume_ml,
        others_a=0.0,
        residual_ml=residual_ml,
    )


def _with_sag(known: Calibration, sag: Sag, *, taken_wall_s: float, by: str) -> Calibration:
    """What was known of the sag and the new jar, each with the weight of its variance (GUM, JCGM 100:2008)."""
    of_known = 1.0 / known.u_sag_per_a**2 if known.u_sag_per_a > 0.0 else 0.0
    of_jar = 1.0 / sag.u_sag_per_a**2
    return msgspec.structs.replace(
        known,
        sag_per_a=(known.sag_per_a * of_known + sag.sag_per_a * of_jar) / (of_known + of_jar),
        u_sag_per_a=(of_known + of_jar) ** -0.5,
        taken_wall_s=taken_wall_s,
        taken_by=by,
    )


def aim_ml(dose_ml: float) -> float:
    """What a calibration aims at: every dose within a quarter of the legal tolerance; the rest is left for drift."""
    return 0.25 * mi008_ml(dose_ml)


def _dose_errors(law: FlowLaw) -> list[DoseError]:
    found = []
    for dose_ml in DOSES_ML:
        try:
            expected = predict(law, dose_ml)
        except OutOfRange:  # below what this line can meter
            continue
        found.append(
            DoseError(
                dose_ml=dose_ml, run_s=expected.run_time_s, u95_ml=expected.u95_ml, tolerance_ml=mi008_ml(dose_ml)
            )
        )
    return found
