"""The load on the scale, as the guard takes it: counts into grams, doubts, and the events that tell the engine.

Pure, like all of the core. A doubtful or silent scale only ever takes something away: nothing is allowed because of it.
"""

import math
from collections.abc import Iterable

from controller.model.messages import ScaleReport, Weighed
from controller.model.scale import STALE_S, Doubt, Reading, Scale, ScaleSetting
from controller.model.scale_datagram import LEAST_COUNTS, MOST_COUNTS, OK, SILENT, RawReading

TELL_UNDER_WAY_S = 0.05  # how often the engine is told
TELL_AT_REST_S = 1.0
MOST_IN_EVENT = 80  # readings; more than a second's worth is never kept for the engine
# A live converter's noise is some 20 counts rms and more (data sheets: 50 nV and more at 1.4 to 2.3 nV a count), so two
# readings in a row are equal once in a hundred times, and as many as this once in 10^10.
SAME_COUNTS = 6
OVERLOAD = 1.05  # of the capacity; below it a cell is only less exact
NEGATIVE = 0.02  # of the capacity, below the lightest that the platform can be
AHEAD_S = 0.05  # a reading that claims to come later than now by more is no reading
BEHIND_S = 2.0  # nor is one that is older than this
TRUST_S = 0.3  # for so long a scale must give sound readings again before it is believed; no source


class Load:
    """Readings as they come. `latest` is the last one; `doubt` says whether it may be believed now."""

    def __init__(self, scale: Scale, now_s: float) -> None:
        self._scale = scale
        self.latest: Reading | None = None
        self._heard_s = now_s
        self._counts: int | None = None  # of the last reading that the converter stood for,
        self._same = 0  # and how often in a row it has given them
        self._doubted: tuple[float, Doubt] = (-math.inf, "")  # when there was a doubt last, and which
        self._untold: list[Reading] = []
        self._tell_s = now_s
        self._was_silent = False

    def take(self, now_s: float, raw: Iterable[RawReading], setting: ScaleSetting) -> tuple[Reading, ...]:
        """The readings that are worth anything; those out of time or out of order are dropped."""
        taken = []
        for one in raw:
            if not now_s - BEHIND_S <= one.at_s <= now_s + AHEAD_S:
                continue
            if self.latest is not None and one.at_s <= self.latest.at_s:
                continue
            if one.converter == OK:
                self._same = self._same + 1 if one.counts == self._counts else 1
                self._counts = one.counts
            load_g = setting.load_g(one.counts) if one.converter == OK else None
            doubt = self._doubt(one, load_g)
            if doubt or (self.latest is not None and one.at_s > self.latest.at_s + STALE_S):
                self._doubted = (one.at_s, doubt or "silent")
            self.latest = Reading(number=one.number, at_s=one.at_s, counts=one.counts, load_g=load_g, doubt=doubt)
            self._heard_s = min(now_s, one.at_s)
            taken.append(self.latest)
        self._untold = [*self._untold, *taken][-MOST_IN_EVENT:]
        return tuple(taken)

    def _doubt(self, raw: RawReading, load_g: float | None) -> Doubt:
        if raw.converter != OK:
            return "silent" if raw.converter == SILENT else "unreadable"
        if not LEAST_COUNTS < raw.counts < MOST_COUNTS:
            return "saturated"
        if self._same >= SAME_COUNTS:
            return "repeats"
        if load_g is None:
            return "unspanned"
        if load_g + self._scale.platform_g > OVERLOAD * self._scale.capacity_g:
            return "overload"
        if load_g < -self._scale.platform_g - NEGATIVE * self._scale.capacity_g:
            return "negative"
        return ""

    def doubt(self, now_s: float) -> Doubt:
        """Why the scale cannot be believed at now_s; "" when it can, some sound readings after its last doubt."""
        if self.latest is None or self.is_stale(now_s):
            return "silent"
        doubted_s, last = self._doubted
        return self.latest.doubt or (last if self.latest.at_s < doubted_s + TRUST_S else "")

    def is_stale(self, now_s: float) -> bool:
        """Whether no reading has come for STALE_S."""
        return now_s - self._heard_s > STALE_S

    def report(self, now_s: float, setting: ScaleSetting) -> ScaleReport:
        """The scale now."""
        load_g = self.latest.load_g if self.latest else None
        return ScaleReport(setting=setting, doubt=self.doubt(now_s), load_g=load_g)

    def tell(self, now_s: float, *, under_way: bool) -> list[Weighed]:
        """The event that is due, if any."""
        silent = self.is_stale(now_s)
        if silent and not self._was_silent:
            self._was_silent = True
            return [self._told(now_s, silent=True)]
        self._was_silent = silent
        every_s = TELL_UNDER_WAY_S if under_way else TELL_AT_REST_S
        if self._untold and now_s >= self._tell_s + every_s:
            return [self._told(now_s)]
        return []

    def _told(self, now_s: float, *, silent: bool = False) -> Weighed:
        readings, self._untold, self._tell_s = tuple(self._untold), [], now_s
        return Weighed(readings=readings, silent=silent)
