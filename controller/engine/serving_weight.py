"""What the scale says of the operation under way: live while it pours, then settled, on record, and in the stock.

A serving that nobody can weigh (no span, a doubtful reading, a glass that was taken, a hand on the platform) is shown
as worked out from the pumps' times alone, and why is said. What people put in at a hand step is not weighed as poured:
the weight counts from the readings before the first start after it, as far back as the load held still. A cleaning or a
rinse counts where a jug on the platform has caught most of it.
"""

import math
from dataclasses import dataclass
from statistics import fmean

from controller.clock import Clock
from controller.engine.guard_mirror import GuardMirror
from controller.engine.stock_uncertainty import spreads
from controller.engine.tracking import Tracking
from controller.ledger.records import Redrawn, Spread
from controller.ledger.store import Ledger
from controller.metering import load_cell
from controller.metering.load_cell import Steady
from controller.metering.weighed_glass import KnownVolume, known_kg_m3, shared, volume_of
from controller.model.book import Book, Liquid
from controller.model.messages import Admitted, Changed, Edge, Ended, Event, Waiting, Weighed
from controller.model.profile import Profile
from controller.model.scale import DOUBTS, Doubt, Span
from controller.model.states import MachineState, OperationKind, Outcome
from controller.model.weighing import WeighedServing

BEFORE_S = 3.0  # readings before a start from which the glass as it stood is known, at the most
DRAINED_S, LOOKED_AT_S = 1.5, 1.0  # after the last end the funnel drains; then the weight is taken over so long
AGAIN_S, PATIENCE_S = 0.5, 5.0  # one that does not settle is taken again so much later, until so long after the end
AT_STEP_S = 0.7  # as long as that before a person's hand comes in; what still drips is then counted as unsure
U_DRIPS_G = 0.3  # of a weight taken at a hand step; common practice, no source
TOUCHED_BEFORE = "the glass was set down, or touched, too shortly before its first drop"
HURRIED = "the pour went on before the weight up to the hand step had settled"
TAKEN, TOUCHED_AFTER = "the glass was taken before its weight had settled", "its weight did not come to rest"
FOLLOWED = "something else began before its weight had settled"
CAUGHT = 0.5  # of a cleaning's volume on the platform: less means that no jug stood there
# As far as their density goes; a cleaner in use is 1 % heavier at most (common practice, no source).
WATERY = tuple(Liquid(liquid=name, density_kg_m3=998.2, viscosity_mpa_s=1.0) for name in ("cleaner", "rinse water"))
SAMPLE_G = 100.0  # any mass does: volume goes with it
LIVE_S = 0.25  # what is shown while it pours is the mean over so long


@dataclass
class _Glass:
    """The serving on the scale. counts, u2: what came in during the parts that are over, and its variance."""

    tracking: Tracking
    span: Span
    asked_ml: float
    ml_per_g: float  # of what is poured, as a scale in air shows it
    counts: float = 0.0
    u2: float = 0.0
    before: Steady | None = None  # the glass before the part under way
    on: int = 0
    last_off_s: float = -math.inf
    take_s: float | None = None  # when the weight after the part under way is to be taken
    look_s: float = LOOKED_AT_S
    is_over: bool = False

    def grams(self, load_counts: float) -> float:
        """What has come in when the scale gives so many counts."""
        base = load_counts if self.before is None else self.before.counts
        return (self.counts + load_counts - base) / self.span.counts_per_g


class ServingWeight:
    """Follows one serving at a time; what it finds stands in its tracking."""

    def __init__(self, *, profile: Profile, ledger: Ledger, clock: Clock, mirror: GuardMirror) -> None:
        self._has_scale, self._ledger, self._clock, self._mirror = profile.scale is not None, ledger, clock, mirror
        self._liquids: dict[str, Liquid] = {}
        self._glass: _Glass | None = None

    def work_with(self, book: Book) -> None:
        """Take densities from this book."""
        self._liquids = {one.liquid: one for one in book.liquids} | {one.liquid: one for one in WATERY}
        if self._has_scale:
            for liquid in self._liquids.values():
                known_kg_m3(liquid)  # now, and not while a drink is poured

    def on_event(self, event: Event) -> bool:
        """Take in what the guard says, after the mirror has; whether a serving's weight is settled now, or given up."""
        match event:
            case Admitted(kind=OperationKind.SERVE | OperationKind.CLEAN | OperationKind.RINSE):
                self._begin()
            case Edge():
                self._switched(event)
            case Changed(state=MachineState.HELD, waiting=Waiting(is_for_a_person=True)):
                self._take_soon(AT_STEP_S, AT_STEP_S / 2)
            case Ended():
                self._over(event)
            case Weighed(silent=silent):
                return self._read(is_silent=silent)
            case _:
                pass
        return False

    # --- inside

    def _begin(self) -> None:
        if self._glass is not None:
            self._forget(FOLLOWED)
        tracking, report = self._mirror.current, self._mirror.report
        scale = None if report is None else report.scale
        if tracking is None or scale is None:
            return
        if scale.setting.span is None or scale.doubt:
            self._leave(tracking, DOUBTS[scale.doubt or "unspanned"])
        elif {run.liquid for segment in tracking.asked.segments for run in segment.runs} <= self._liquids.keys():
            doses = self._doses(tracking)
            self._glass = _Glass(
                tracking=tracking,
                span=scale.setting.span,
                asked_ml=sum(dose_ml for _, dose_ml in doses),
                ml_per_g=volume_of(SAMPLE_G, U_DRIPS_G, 0.0, doses).volume_ml / SAMPLE_G,
            )

    def _switched(self, edge: Edge) -> None:
        glass, now_s = self._glass, self._clock.now_s()
        if glass is None or glass.tracking.asked.operation != edge.operation:
            return
        glass.on += 1 if edge.is_on else -1
        if not edge.is_on:
            glass.last_off_s = now_s
        elif glass.take_s is not None:
            self._forget(HURRIED)
        elif glass.before is None:
            glass.before = self._rest(now_s - BEFORE_S, now_s)
            if glass.before is None:
                self._forget(TOUCHED_BEFORE)

    def _take_soon(self, after_s: float, look_s: float) -> None:
        """Take the weight so long after the last end, over look_s."""
        glass = self._glass
        if glass is not None and glass.before is not None:
            glass.take_s, glass.look_s = glass.last_off_s + after_s, look_s

    def _over(self, ended: Ended) -> None:
        glass, tracking = self._glass, self._mirror.current
        if tracking is not None and tracking.asked.operation == ended.operation:
            self._note(tracking)
        if glass is None or glass.tracking.asked.operation != ended.operation:
            return
        glass.is_over = True
        if glass.take_s is None:
            self._take_soon(DRAINED_S + LOOKED_AT_S, LOOKED_AT_S)
        if ended.outcome not in (Outcome.DONE, Outcome.STOPPED) or (glass.take_s is None and not glass.counts):
            self._forget("")
        elif doubt := self._doubt:
            self._forget(DOUBTS[doubt])

    @property
    def _doubt(self) -> Doubt:
        """Why the scale cannot be believed now."""
        report = self._mirror.report
        return "silent" if report is None or report.scale is None else report.scale.doubt

    def _forget(self, why: str) -> None:
        """The glass can no longer be weighed; why, a sentence."""
        if self._glass is not None:
            self._leave(self._glass.tracking, why)
        self._glass = None

    def _leave(self, tracking: Tracking, why: str) -> None:
        tracking.weighed = None
        if tracking.asked.kind is OperationKind.SERVE:
            tracking.unweighed = why
            self._note(tracking)

    def _note(self, tracking: Tracking) -> None:
        """Put on record why it was not weighed, once it is over."""
        if tracking.unweighed and tracking.outcome is not None:
            self._ledger.leave_unweighed(tracking.asked.operation, tracking.unweighed)

    def _read(self, *, is_silent: bool) -> bool:
        """A doubt that passes while it pours is no matter: what counts is the weight before it and after it."""
        glass, readings = self._glass, self._mirror.readings
        if glass is None or not readings:
            return False
        if is_silent and glass.is_over:
            self._forget(DOUBTS["silent"])
            return True
        if glass.take_s is not None and readings[-1].at_s >= glass.take_s:
            return self._take(glass, glass.take_s)
        if glass.before is not None and not readings[-1].doubt:
            live = [one.counts for one in self._mirror.readings_since(readings[-1].at_s - LIVE_S)]
            grams = glass.grams(fmean(live))
            volume_ml = max(0.0, grams) * glass.ml_per_g
            glass.tracking.weighed = WeighedServing(grams=grams, volume_ml=volume_ml, asked_ml=glass.asked_ml)
        return False

    def _take(self, glass: _Glass, at_s: float) -> bool:
        """The part under way is over and what fell has fallen."""
        after = self._rest(at_s - glass.look_s, at_s)
        if after is None and at_s + AGAIN_S <= glass.last_off_s + PATIENCE_S and glass.is_over:
            glass.take_s = at_s + AGAIN_S
            return False
        if after is None or glass.before is None or _is_lighter(after, glass.before, glass.span):
            self._forget(TAKEN if after is not None else DOUBTS[self._doubt] or TOUCHED_AFTER)
            return glass.is_over
        glass.counts += after.counts - glass.before.counts
        u_drips = 0.0 if glass.look_s == LOOKED_AT_S else U_DRIPS_G * glass.span.counts_per_g
        glass.u2 += after.u_counts**2 + glass.before.u_counts**2 + u_drips**2
        glass.before = glass.take_s = None
        if not glass.is_over:
            return False
        self._settle(glass)
        return True

    def _settle(self, glass: _Glass) -> None:
        """Show it, put it on record, and correct what was drawn from the containers."""
        self._glass = None
        per_g = glass.span.counts_per_g
        tracking, grams = glass.tracking, glass.counts / per_g
        found = volume_of(grams, math.sqrt(glass.u2) / per_g, glass.span.u_fraction, self._doses(tracking))
        is_serving = tracking.asked.kind is OperationKind.SERVE
        if not is_serving and found.volume_ml < CAUGHT * sum(one.delivered_ml for one in tracking.booked.values()):
            tracking.weighed = None  # it ran into a sink
            return
        total = KnownVolume(volume_ml=found.volume_ml, u_ml=found.u_volume_ml)
        tracking.weighed = weighed = WeighedServing(
            grams=grams, volume_ml=total.volume_ml, asked_ml=glass.asked_ml, u_ml=total.u_ml
        )
        is_drawn = is_serving and tracking.outcome is Outcome.DONE
        redrawn = _redrawn(tracking, total, glass.span.u_fraction) if is_drawn else {}
        self._ledger.weigh_serving(tracking.asked.operation, weighed, redrawn)

    def _doses(self, tracking: Tracking) -> list[tuple[Liquid, float]]:
        """The liquids in the proportions in which they were asked for."""
        runs = [run for segment in tracking.asked.segments for run in segment.runs]
        return [(self._liquids[run.liquid], run.volume_ml) for run in runs]

    def _rest(self, from_s: float, to_s: float) -> Steady | None:
        """The scale between these times; None when it was doubtful, too little was heard, or the load moved."""
        readings = [one for one in self._mirror.readings_since(from_s) if one.at_s <= to_s]
        if self._glass is None or any(one.doubt for one in readings):
            return None
        settled = load_cell.since_settled(readings, self._glass.span.counts_per_g)
        found = load_cell.steady(settled, least=load_cell.LEAST_READINGS // 2)
        if found is None:
            return None
        return None if load_cell.is_restless(found, self._glass.span.counts_per_g) else found


def _is_lighter(after: Steady, before: Steady, span: Span) -> bool:
    """Whether something was taken away: the glass was lifted."""
    return (after.counts - before.counts) / span.counts_per_g < -load_cell.RESTLESS_G


def _redrawn(tracking: Tracking, total: KnownVolume, u_span: float) -> dict[int, Redrawn]:
    """Line -> what it gave by weight; what the span is off is alike in every serving, the rest is each one's own."""
    booked = tracking.booked
    known = spreads(tuple(booked.values()), tracking.calibrations)
    expected = {
        line: KnownVolume(volume_ml=one.delivered_ml, u_ml=math.hypot(known[line].shared_ml, known[line].random_ml))
        for line, one in booked.items()
    }
    found = {}
    for line, one in shared(expected, total).items():
        alike_ml = u_span * one.volume_ml
        own_ml = math.sqrt(max(0.0, one.u_ml**2 - alike_ml**2))
        found[line] = Redrawn(
            liquid=booked[line].liquid,
            more_ml=one.volume_ml - booked[line].delivered_ml,
            before=known[line],
            now=Spread(shared_ml=alike_ml, random_ml=own_ml),
        )
    return found
