"""Calibrations: trials weighed, fits accepted, spot checks, and how lines slow each other down."""

from collections.abc import Sequence

from msgspec.structs import replace

from controller.engine.common import Common
from controller.engine.sag_trials import SagTrials
from controller.engine.spot_checks import SpotChecks
from controller.engine.weighing import Weighings
from controller.ledger.records import Weighing
from controller.model.calibration import Calibration
from controller.model.messages import TakeCalibration
from controller.model.requests import (
    CalibrationRequest,
    SpotCheckRequest,
    TogetherRequest,
    TrialsRequest,
    WeighingRequest,
)
from controller.model.views import FitView, SagView, SpotCheckView
from controller.model.weighing import FitRemark, StrikeRequest


class Calibrating:
    """What people weigh, and what of it goes to the guard and on record. Refusals are raised as Refused."""

    def __init__(self, common: Common) -> None:
        self._ledger, self._mirror, self._operation_start = common.ledger, common.mirror, common.operation_start
        self._learning = common.learning
        self._weighings, self._sag_trials = Weighings(common), SagTrials(common)
        self.spot_checks = SpotChecks(common, self._weighings)

    def fit(self, line: int) -> FitView:
        """The line's calibration as its weighings have it so far, else the one in force."""
        view = self._weighings.view(line, self._liquid(line), self._mirror.calibrations())
        drift = self._learning.drift(line)
        return replace(view, warnings=(*view.warnings, FitRemark(about="drift", text=drift))) if drift else view

    def calibrations(self, line: int) -> tuple[Calibration, ...]:
        """Every calibration the line ever had, oldest first."""
        self._operation_start.require_line(line)
        return self._ledger.calibrations(line)

    def weigh(self, request: WeighingRequest) -> FitView:
        """Add a trial's weight; the fit as it then stands."""
        liquid = self._liquid(request.line)
        weighed = self._weighings.weighed(request, self._weighings.on_s(request.operation, request.line), liquid)
        return self._add(request.line, liquid, (weighed,))

    def weigh_on_scale(self, operation: str, line: int, grams: float, u_grams: float, u_span: float) -> FitView:
        """Add a trial's weight by the machine's own scale; u_span: relative standard uncertainty of its span."""
        liquid = self._liquid(line)
        request = WeighingRequest(operation=operation, line=line, grams=grams, u_grams=u_grams)
        weighed = self._weighings.weighed(request, self._weighings.on_s(operation, line), liquid)
        return self._add(line, liquid, (replace(weighed, u_factor=u_span),))

    def weigh_rows(self, request: TrialsRequest) -> FitView:
        """Add trials that were weighed earlier, or put a calibration from them in force; nothing is kept if refused."""
        liquid = self._liquid(request.line)
        rows = self._weighings.rows(request, liquid)
        if not request.accept:
            return self._add(request.line, liquid, rows)
        self._mirror.require_guard()
        view = self._weighings.view_of(request.line, liquid, rows, self._mirror.calibrations())
        new = self._weighings.calibration(view, request)
        self._weighings.settle(self.fit(request.line), accepted=False)
        self._ledger.weigh(rows)
        self._put_in_force((new,))
        self._weighings.settle(view, accepted=True)
        return view

    def _add(self, line: int, liquid: str, rows: Sequence[Weighing]) -> FitView:
        """Put these on record; the fit is found first, so that nothing is recorded twice when it takes its time."""
        view = self._weighings.view(line, liquid, self._mirror.calibrations(), added=rows)
        self._ledger.weigh(rows)
        return view

    def _liquid(self, line: int) -> str:
        return self._operation_start.liquids((line,))[line]

    def strike_trial(self, request: StrikeRequest) -> FitView:
        """Strike or restore an open trial, or all; the fit as it then stands."""
        self._weighings.strike(request, self._liquid(request.line))
        return self.fit(request.line)

    def strike_spot_check(self, line: int) -> None:
        """Strike the line's last spot check."""
        self.spot_checks.strike_last(line, self._liquid(line))

    def spot_check(self, request: SpotCheckRequest, *, u_span: float = 0.0) -> SpotCheckView:
        """Hold a weighed run against the line's calibration; u_span: as in weigh_on_scale."""
        self._operation_start.require_line(request.line)
        on_record = self._ledger.calibrations(request.line)
        held = self._mirror.calibrations().get(request.line, on_record[-1] if on_record else None)
        checked = self.spot_checks.check(request, self._liquid(request.line), held, u_span=u_span)
        if checked.carried_over is not None:
            self._put_in_force((checked.carried_over,))
        return checked.view

    def weigh_sag_trials(self, request: TogetherRequest) -> SagView:
        """Learn the sag from a jar filled by several lines; it goes into their calibrations at once."""
        self._mirror.require_guard()
        view, renewed = self._sag_trials.weigh(request, self._mirror.calibrations())
        self._put_in_force(renewed)
        return view

    def settle(self, request: CalibrationRequest) -> FitView:
        """Accept the fit (it goes to the guard and on record) or throw the weighings away."""
        view = self.fit(request.line)
        if request.accept:
            self._mirror.require_guard()
            self._put_in_force((self._weighings.calibration(view, request),))
        self._weighings.settle(view, accepted=request.accept)
        return view

    def _put_in_force(self, calibrations: Sequence[Calibration]) -> None:
        for calibration in calibrations:
            self._ledger.add_calibration(calibration)
            self._mirror.ask(TakeCalibration(calibration=calibration), "take_calibration")
