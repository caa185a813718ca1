"""One jar that several lines fill together, and the sag that follows from its weight."""

from collections.abc import Mapping

import msgspec

from controller.engine.common import Common
from controller.errors import Refused
from controller.ledger.store import Entry, Ledger
from controller.metering.density import liquid_kg_m3
from controller.metering.sag import Sag, Share, sag_from_trials
from controller.model.calibration import Calibration
from controller.model.fields import like
from controller.model.requests import TogetherRequest
from controller.model.states import OperationKind, Outcome
from controller.model.views import SagView


class SagTrials:
    """Weighings of jars that several lines filled."""

    def __init__(self, common: Common) -> None:
        self._profile, self._book, self._ledger = common.profile, common.book, common.ledger
        self._clock = common.clock

    def weigh(
        self, request: TogetherRequest, in_force: Mapping[int, Calibration]
    ) -> tuple[SagView, tuple[Calibration, ...]]:
        """What a jar filled by several lines says about sag, and all lines' calibrations with it."""
        entry = require_trial(self._ledger, request.operation)
        lacking = [one.line for one in entry.deliveries if one.line not in in_force]
        if lacking:
            raise Refused(
                rule="calibration",
                reason=f"line {', '.join(map(str, lacking))} has no calibration of its own yet.",
                remedy=f"Calibrate it alone first: tundish calibrate {lacking[0]}",
            )
        scale = self._profile.weighing
        grams, u_grams = (
            (request.grams * scale.factor, scale.u_net_g)
            if request.u_grams is None
            else (request.grams, request.u_grams)
        )
        sag = sag_from_trials(self._shares(entry, in_force), grams, u_grams)
        lines = tuple(one.line for one in entry.deliveries)
        now_s = self._clock.wall_s()
        # One supply, one sag: it holds for the lines that stood by as well.
        renewed = tuple(
            _with_sag(known, sag, taken_wall_s=now_s, by=request.by or known.taken_by) for known in in_force.values()
        )
        combined = msgspec.structs.replace(sag, sag_per_a=renewed[0].sag_per_a, u_sag_per_a=renewed[0].u_sag_per_a)
        return self._sag_view(lines, grams, combined), renewed

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
                    density_kg_m3=liquid_kg_m3(self._book.liquid(one.liquid), 20.0)[0],
                )
            )
        return shares

    def _sag_view(self, lines: tuple[int, ...], grams: float, sag: Sag) -> SagView:
        warnings = []
        if sag.sag_per_a < 0.0:
            warnings.append(
                "The lines gave more together than alone: a weighing or a calibration is off; repeat the trial."
            )
        expected_g = sag.expected_g
        return like(SagView, sag, lines=lines, grams=grams, expected_grams=expected_g, warnings=tuple(warnings))


def require_trial(ledger: Ledger, operation: str) -> Entry:
    """The trial of this id; Refused when it is none that ran to its end."""
    entry = ledger.entry(operation)
    if entry is None or entry.kind != OperationKind.TRIAL or entry.outcome != Outcome.DONE:
        raise Refused(
            rule="weighing",
            reason=f"operation {operation} is no trial that ran to its end.",
            remedy="Run a trial, let it end, and weigh what it gave.",
        )
    return entry


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
