"""Every weighed serving teaches: it is followed on the scale, and what it says of each line is kept.

The estimator itself is pure (`metering.weighed_pour`); here it meets the guard's events, the ledger and the clock. A
serving that nobody could weigh, or that did not end as it should, teaches nothing.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import structlog
from msgspec import structs

from controller.clock import Clock
from controller.engine.background import Work
from controller.engine.guard_mirror import GuardMirror
from controller.engine.serving_weight import DRAINED_S, LOOKED_AT_S
from controller.engine.tracking import SoFar, Tracking
from controller.errors import Refused
from controller.ledger.store import Ledger
from controller.metering.averages import COLOURED, Averages
from controller.metering.calibration import law_of
from controller.metering.density import liquid_kg_m3
from controller.metering.drift import servings_drift
from controller.metering.gravimetry import displayed_g_per_ml
from controller.metering.learned_flows import LearnedFlows, LineBasis, restored
from controller.metering.load_cell import since_settled
from controller.metering.weighed_pour import EstimatedPour, PlannedPour, WeighedPour, foreseen_within_ml
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.learning import LearnedPoint
from controller.model.messages import (
    Admitted,
    Command,
    Edge,
    Ended,
    Event,
    LineChanged,
    Report,
    TakeCalibration,
    Trim,
    Weighed,
)
from controller.model.plan import PlannedRun, Segment
from controller.model.profile import Profile
from controller.model.scale import Reading
from controller.model.states import AT_REST, OperationKind, Outcome
from controller.model.weighing import WeighedDose

log = structlog.get_logger()

SETTLED_S = DRAINED_S + LOOKED_AT_S  # after the last end: the funnel has run empty and the last drops have fallen
EMPTY_S = 4.0  # of readings before the first start, from which the empty glass is known, at the most
STEADY_S = 30.0  # what is known is worked out anew after so long, so that a plan asked for again is the same
STILL_S = 0.3  # after the lines went off in a hold, until the weight says what has come
FINEST_TRIM_S = 0.002  # an end that moves by less stays
LEAST_RATIO, MOST_RATIO = 0.6, 1.5  # of a learned flow to the calibrated one
REMEMBERED_SHARE = 0.3  # of a serving, in how the scale usually scatters
SENT_FROM = 0.005  # a flow that has moved by so much is sent to the guard


@dataclass
class _Followed:
    """One serving on the scale; times of the pour count from the operation's first start."""

    tracking: Tracking
    pour: WeighedPour
    runs: tuple[PlannedRun, ...]  # those that the pour knows of
    early: list[Reading]  # readings before the first start is known
    known: dict[int, Calibration]  # as earlier servings had taught
    origin_s: float = math.inf
    last_off_s: float = -math.inf  # on the engine's clock
    is_over: bool = False
    readings: int = 0


class Learning:
    """What is known of every line by weight. Refusals are raised as Refused."""

    def __init__(
        self, *, profile: Profile, ledger: Ledger, clock: Clock, mirror: GuardMirror, send: Callable[[Command], None]
    ) -> None:
        self._profile, self._ledger, self._clock, self._mirror, self._send = profile, ledger, clock, mirror, send
        self._book: Book | None = None
        self._flows = LearnedFlows(clock.wall_s())
        self._kept = ledger.learned.state()  # until the lines are known
        self._held: dict[int, Calibration] = {}  # line -> calibration as the guard had it when last looked at
        self._followed: _Followed | None = None
        self._present: tuple[float, dict[int, Calibration]] = (-math.inf, {})
        self._u_mean_g = 0.06
        self._drifts: dict[int, str] = {}  # of the lines that were looked at since the last serving
        self._run_a = {one.line: one.pump.run_a for one in profile.lines}

    def work_with(self, book: Book) -> None:
        """Take liquids' densities from this book."""
        self._book, self._held = book, {}
        self._look_at_lines()

    def present(self, calibrations: Mapping[int, Calibration]) -> dict[int, Calibration]:
        """These calibrations, each with what has been learned since; the same for half a minute."""
        now_s = self._clock.now_s()
        if now_s - self._present[0] > STEADY_S and self._followed is None:
            self._flows.rest_until(self._clock.wall_s())
            self._present = (now_s, {line: self._flows.calibration(line) for line in self._flows.bases})
        known = self._present[1]
        return {
            line: known[line] if line in known and _are_same(known[line], one) else one
            for line, one in calibrations.items()
        }

    @property
    def is_weighing(self) -> bool:
        """Whether the scale is there and to be trusted, so that ends can be trimmed."""
        report = self._mirror.report
        return report is not None and report.scale is not None and report.scale.doubt == ""

    def foreseen_within_ml(self, segments: Sequence[Segment], work: Work) -> dict[int, float]:
        """Line -> what its doses are expected to be within, mL; nothing where they would not be weighed."""
        lines = {run.line for segment in segments for run in segment.runs}
        if not self.is_weighing or not lines <= self._flows.bases.keys():
            return {}
        u_grams = COLOURED * self._u_mean_g
        found: dict[int, float] = work(
            foreseen_within_ml, self._flows.kept(), self._flows.bases, segments, self._run_a, u_grams
        )
        return found

    def held(self) -> dict[int, Calibration]:
        """Line -> its calibration as the guard has it."""
        return self._mirror.calibrations()

    def path(self, line: int) -> tuple[LearnedPoint, ...]:
        """What servings have said of a line since it was calibrated."""
        held = self._mirror.calibrations().get(line)
        return () if held is None else self._ledger.learned.path(line, held.taken_wall_s)

    @property
    def unlearned(self) -> frozenset[int]:
        """Lines of which no serving has been weighed since they were calibrated."""
        return frozenset(line for line in self.held() if not self.path(line))

    def drift(self, line: int) -> str:
        """Whether servings show that the line is no longer what it was, a sentence; "" while they do not."""
        if line not in self._drifts and line in self._flows.bases:
            deviations = [one.deviations for one in self.path(line)]
            self._drifts[line] = servings_drift(deviations, self._flows.flow(line)[0] - 1.0)
        return self._drifts.get(line, "")

    def set_back(self, line: int) -> None:
        """Give up what was learned of a line since its last calibration."""
        basis = self._flows.bases.get(line)
        if basis is None:
            raise Refused(
                rule="calibration",
                reason=f"nothing was learned of line {line}.",
                remedy=f"Calibrate it: tundish calibrate {line}",
            )
        self._mirror.require_ready()
        self._end()
        self._know(line, basis)
        self._ledger.learned.add((), self._flows.kept())
        self._mirror.ask(TakeCalibration(calibration=basis.calibration), "take_calibration")

    def on_event(self, event: Event) -> None:
        """Take in what the guard says, after the mirror has."""
        match event:
            case Report(state=state):
                self._look_at_lines()
                if state in AT_REST:
                    self._send_to_guard()  # one that has just started may have lost what it was told last
            case LineChanged():
                self._look_at_lines()
            case Admitted():
                self._end()
                self._begin()
            case Edge():
                self._switched(event)
            case Weighed(readings=readings):
                self._weigh(readings)
            case Ended():
                self._over(event)
            case _:
                pass

    # --- lines

    def _look_at_lines(self) -> None:
        """Every line counts from its calibration on record; what the guard holds may have been learned since."""
        if self._book is None or self._followed is not None:
            return
        bases = dict(self._flows.bases)
        for line, held in self._mirror.calibrations().items():
            if self._held.get(line) != held:
                self._held[line] = held
                basis = self._basis(self._book, held)
                if basis is not None:
                    bases[line] = basis
        if self._kept is not None and bases:
            self._flows, self._kept = restored(self._kept, bases), None
        for line, basis in bases.items():
            if self._flows.bases.get(line) != basis:
                self._know(line, basis)

    def _know(self, line: int, basis: LineBasis) -> None:
        self._flows.know(line, basis, idle_s=max(0.0, self._clock.wall_s() - basis.calibration.taken_wall_s))
        self._present = (-math.inf, {})
        self._drifts = {}

    def _basis(self, book: Book, held: Calibration) -> LineBasis | None:
        if held.liquid not in {one.liquid for one in book.liquids}:
            return None
        on_record = [one for one in self._ledger.calibrations(held.line) if _are_same(one, held)]
        calibration = on_record[-1] if on_record else held
        liquid, line = book.liquid(held.liquid), self._profile.line(held.line)
        density_kg_m3, u_density = liquid_kg_m3(liquid, 20.0)
        return LineBasis(
            calibration=calibration,
            grams_per_ml=displayed_g_per_ml(density_kg_m3),
            end_ml=calibration.flow_ml_s * (self._profile.relay_board.release_s + line.pump.coast_s / 2),
            is_carbonated=liquid.carbonated,
            u_density=u_density / density_kg_m3,
        )

    # --- a serving

    def _begin(self) -> None:
        """A serving was admitted: follow it, if every line is known and the scale is to be trusted."""
        tracking, scale = self._mirror.current, self._profile.scale
        if tracking is None or tracking.asked.kind is not OperationKind.SERVE or scale is None or not self.is_weighing:
            return
        lines = tracking.asked.lines
        if not lines <= self._flows.bases.keys():
            return
        flows = self._flows.copy()
        flows.rest_until(self._clock.wall_s())
        runs = tracking.asked.segments[0].runs
        averages = Averages(self._u_mean_g, per_s=scale.readings_per_s)
        first_s = min((run.start_s for run in runs), default=0.0)  # two hand steps may come first
        pour = WeighedPour(flows, _runs(runs, -first_s), self._run_a, averages, lines=lines)
        early = self._mirror.readings_since(self._clock.now_s() - EMPTY_S)
        if self._mirror.span is not None:
            early = list(since_settled(early, self._mirror.span.counts_per_g))
        known = {line: flows.calibration(line) for line in lines}
        self._followed = _Followed(tracking=tracking, pour=pour, runs=runs, early=early, known=known)

    def _switched(self, edge: Edge) -> None:
        one = self._followed
        if one is None or one.tracking.asked.operation != edge.operation:
            return
        one.origin_s = min(one.origin_s, self._clock.now_s() - edge.at_s)
        one.last_off_s = one.last_off_s if edge.is_on else self._clock.now_s()
        if edge.is_on and one.runs is not one.tracking.runs:
            begun = next((run for run in one.tracking.runs if run.line == edge.line), None)
            if begun is None:  # more has happened than was heard of
                self._followed = None
                return
            self._next_runs(one, edge.at_s - begun.start_s)
        one.pour.switched(edge.line, edge.is_on, edge.at_s)

    def _next_runs(self, one: _Followed, from_s: float) -> None:
        """A hand step or a hold is over: other runs have begun, their times counting from here."""
        runs = one.tracking.runs
        later = _runs(runs, from_s)
        if one.tracking.rest is not None:
            one.pour.replan(later)
        else:
            one.pour.runs += later
        one.runs = runs

    def _weigh(self, readings: tuple[Reading, ...]) -> None:
        one = self._followed
        if one is None:
            return
        one.early += readings
        if one.origin_s < math.inf:
            is_new = False
            for reading in one.early:
                if reading.doubt == "" and reading.load_g is not None:
                    is_new |= one.pour.read(reading.at_s - one.origin_s, reading.load_g)
                    one.readings += 1
            one.early = []
            if is_new and not one.is_over:
                self._trim(one)
            self._sum_up(one, self._clock.now_s())
        if one.is_over and readings and readings[-1].at_s >= one.last_off_s + SETTLED_S:
            self._end()

    def _sum_up(self, one: _Followed, now_s: float) -> None:
        """A held serving's rest is planned by what has come by weight: worked out once, so that the plan stays one."""
        is_still = one.pour.is_at_rest and now_s >= one.last_off_s + STILL_S
        if one.tracking.waiting is not None and one.tracking.so_far is None and is_still:
            one.tracking.so_far = SoFar(
                brought_ml={line: one.pour.poured(line).volume_ml for line in one.pour.lines},
                calibrations={line: one.pour.flows.calibration(line) for line in one.pour.lines},
            )

    def _trim(self, one: _Followed) -> None:
        """Ask for every end that is now known better; nothing is lost when the guard does not hear it."""
        at_s = self._clock.now_s() - one.origin_s
        for run in one.pour.under_way():
            end_s = one.pour.cut_off_s(run)
            if abs(end_s - run.end_s) >= FINEST_TRIM_S and run.end_s > at_s:
                run.end_s = end_s
                self._send(Trim(operation=one.tracking.asked.operation, line=run.line, end_s=end_s))

    def _over(self, ended: Ended) -> None:
        one = self._followed
        if one is None or one.tracking.asked.operation != ended.operation:
            return
        if ended.outcome not in (Outcome.DONE, Outcome.STOPPED) or one.origin_s == math.inf or one.tracking.drained:
            self._followed = None
        else:
            one.is_over = True

    def _end(self) -> None:
        """The weight has settled, or something else begins: keep what this serving has taught."""
        one, self._followed = self._followed, None
        if one is None or not one.is_over or not one.readings:
            return
        poured = {line: one.pour.poured(line) for line in one.pour.lines}
        self._u_mean_g += REMEMBERED_SHARE * (one.pour.averages.usual_g - self._u_mean_g)
        self._flows = one.pour.close()
        self._flows.rest_until(self._clock.wall_s())
        for line, basis in self._flows.bases.items():
            if not LEAST_RATIO < self._flows.flow(line)[0] < MOST_RATIO:
                self._know(line, basis)  # no tube does that: something else was wrong, and its calibration counts
        points = tuple(
            self._point(one.tracking, one.known[line], found) for line, found in poured.items() if found.u_ml
        )
        one.tracking.doses = {p.line: WeighedDose(volume_ml=p.weighed_ml, u_ml=p.u_weighed_ml) for p in points}
        # Unless it has been given up, what the scale says of the serving as a whole follows at once.
        self._ledger.learned.add(points, self._flows.kept(), lazily=not one.tracking.unweighed)
        self._present, self._drifts = (-math.inf, {}), {}
        self._send_to_guard()

    def _point(self, tracking: Tracking, known: Calibration, weighed: EstimatedPour) -> LearnedPoint:
        line, weighed_ml, u_ml = known.line, weighed.volume_ml, weighed.u_ml
        now, law = self._flows.calibration(line), law_of(known)
        on_s = sum(one.end_s - one.start_s for one in tracking.intervals if one.line == line and one.end_s is not None)
        booked_ml = tracking.delivered_ml(self._clock.now_s()).get(line, 0.0)  # slowed down by the others
        alone_ml = law_of(tracking.calibrations[line]).delivered_ml(on_s)
        expected_ml = booked_ml * law.delivered_ml(on_s) / alone_ml if alone_ml > 0.0 else booked_ml
        u_expected_ml = law.single_run(on_s)[0]
        return LearnedPoint(
            line=line,
            wall_s=self._clock.wall_s(),
            operation=tracking.asked.operation,
            flow_ml_s=now.flow_ml_s,
            u_flow_ml_s=now.u_flow_ml_s,
            asked_ml=sum(r.volume_ml for s in tracking.asked.segments for r in s.runs if r.line == line),
            weighed_ml=weighed_ml,
            u_weighed_ml=u_ml,
            deviations=(weighed_ml - expected_ml) / math.hypot(u_expected_ml, u_ml),
        )

    def _send_to_guard(self) -> None:
        """The guard journals what was learned, as it does an operator's calibrations; not every little step of it."""
        if self._mirror.is_under_way():
            return  # the next serving's end will do
        for line, held in self._mirror.calibrations().items():
            if line not in self._flows.bases:
                continue
            now = self._flows.calibration(line)
            if _are_same(now, held) and abs(now.flow_ml_s / held.flow_ml_s - 1.0) > SENT_FROM:
                self._mirror.ask(TakeCalibration(calibration=_rounded(now)), "take_calibration")


def _rounded(one: Calibration) -> Calibration:
    """To six digits what servings change in a calibration: no more is known, and cards wear by what is written."""
    figures = {name: getattr(one, name) for name in ("flow_ml_s", "lag_s", "u_flow_ml_s", "u_lag_s", "cov_flow_lag")}
    return structs.replace(one, **{name: float(f"{value:.6g}") for name, value in figures.items()})


def _are_same(one: Calibration, other: Calibration) -> bool:
    """Whether both count from the same calibration, whatever was learned since."""
    return (one.line, one.liquid, one.taken_wall_s) == (other.line, other.liquid, other.taken_wall_s)


def _runs(planned: tuple[PlannedRun, ...], from_s: float = 0.0) -> list[PlannedPour]:
    return [
        PlannedPour(one.line, from_s + one.start_s, from_s + one.start_s + one.duration_s, one.volume_ml)
        for one in planned
    ]
