"""What stands on the machine's scale, once it has come to rest."""

import math

from controller.clock import Clock
from controller.engine.guard_mirror import GuardMirror
from controller.errors import Refused
from controller.metering.load_cell import LEAST_READINGS, is_restless, steady
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.model.scale import DOUBTS, Reading, ScaleSetting

MEAN_S = 1.5  # of readings that make one weighing
LONG_S = 0.2  # half a swing of a knock is shorter


class Settled(Value, frozen=True, kw_only=True):
    """A load at rest, g; u_g: its standard uncertainty, but for that of zero and span."""

    load_g: float
    u_g: float


class SettledLoad:
    """Reads the scale for whoever weighs with it."""

    def __init__(self, profile: Profile, clock: Clock, mirror: GuardMirror) -> None:
        self._profile, self._clock, self._mirror = profile, clock, mirror

    def require(self) -> float:
        """Standard uncertainty of the scale's span, as a fraction; Refused without a scale that can be believed."""
        if self._profile.scale is None:
            remedy = "Weigh by hand (tundish calibrate LINE), or add a scale: to the profile."
            raise Refused(rule="scale", reason="this machine has no scale.", remedy=remedy)
        report = self._mirror.require_guard().scale
        doubt = "silent" if report is None else report.doubt
        if report is None or doubt or report.setting.span is None:
            reason = f"the scale cannot be believed: {DOUBTS[doubt or 'unspanned']}."
            raise Refused(rule="scale", reason=reason, remedy="See to it (tundish scale), then go on.")
        return report.setting.span.u_fraction

    def was_below(self, load_g: float, since_s: float) -> bool:
        """Whether less stood there for LONG_S on end since then (monotonic s); a knock is shorter."""
        below_s = math.inf
        for one in self._believed(since_s):
            below_s = min(below_s, one.at_s) if (one.load_g or 0.0) < load_g else math.inf
            if one.at_s - below_s >= LONG_S:
                return True
        return False

    def at_rest(self, since_s: float = -math.inf) -> Settled | None:
        """The mean of the newest readings, none before since_s (monotonic s); None while it moves or too few came."""
        setting, newest = self._setting(), self._newest()
        if setting is None or setting.span is None or not newest or newest[0].at_s < since_s:
            return None
        found = steady(newest)
        if found is None or is_restless(found, setting.span.counts_per_g):
            return None
        load_g = (found.counts - setting.zero_counts) / setting.span.counts_per_g
        return Settled(load_g=load_g, u_g=found.u_counts / abs(setting.span.counts_per_g))

    def _newest(self) -> list[Reading]:
        """Those of the last MEAN_S, and as many more as one weighing takes where few come; oldest first."""
        readings = self._mirror.readings
        first = len(readings)
        while first > 0 and (
            len(readings) - first < LEAST_READINGS or readings[first - 1].at_s >= readings[-1].at_s - MEAN_S
        ):
            first -= 1
        return self._believed(readings[first].at_s) if readings else []

    def _setting(self) -> ScaleSetting | None:
        report = self._mirror.report
        return None if report is None or report.scale is None else report.scale.setting

    def _believed(self, since_s: float) -> list[Reading]:
        """Oldest first."""
        return [one for one in self._mirror.readings_since(since_s) if one.load_g is not None and not one.doubt]
