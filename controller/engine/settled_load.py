"""What stands on the machine's scale, once it has come to rest."""

import math
from collections.abc import Sequence
from statistics import fmean, stdev

from controller.clock import Clock
from controller.engine.guard_mirror import GuardMirror
from controller.errors import Refused
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.model.scale import DOUBTS, Reading

MEAN_S = 1.5  # of readings that make one weighing
LEAST_READINGS = 5
LONG_S = 0.2  # half a swing of a knock is shorter
RESTLESS_G = 0.3  # between the two halves of such a while; common practice, no source


class Settled(Value, frozen=True, kw_only=True):
    """A load at rest, g; u_g: standard uncertainty by the noise and by what the reading moved meanwhile."""

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
        for at_s, now_g in self._believed(since_s):
            below_s = min(below_s, at_s) if now_g < load_g else math.inf
            if at_s - below_s >= LONG_S:
                return True
        return False

    def newest_s(self) -> float:
        """When the scale was last read (monotonic s)."""
        return self._mirror.readings[-1].at_s if self._mirror.readings else -math.inf

    def at_rest(self, since_s: float | None = None) -> Settled | None:
        """The mean of the newest MEAN_S, none before since_s (monotonic s); None while it moves or too few came."""
        begin_s = self.newest_s() - MEAN_S
        if since_s is not None and begin_s < since_s:
            return None
        return settled([load_g for _, load_g in self._believed(begin_s)])

    def _believed(self, since_s: float) -> list[tuple[float, float]]:
        newest: list[Reading] = []
        for one in reversed(self._mirror.readings):
            if one.at_s < since_s:
                break
            newest.append(one)
        return [(one.at_s, one.load_g) for one in reversed(newest) if one.load_g is not None and not one.doubt]


def settled(loads_g: Sequence[float]) -> Settled | None:
    """These readings as one load; None when there are too few, or when their two halves differ beyond their noise."""
    if len(loads_g) < LEAST_READINGS:
        return None
    half = len(loads_g) // 2
    moved_g, spread_g = fmean(loads_g[half:]) - fmean(loads_g[:half]), stdev(loads_g)
    noise_g = spread_g / math.sqrt(len(loads_g))
    if abs(moved_g) > max(RESTLESS_G, 4.0 * noise_g):
        return None
    return Settled(load_g=fmean(loads_g), u_g=math.hypot(noise_g, moved_g / 4.0))
