"""One serving on the scale: how much of each line is in the glass, and when to switch off so that its dose is there.

Between two edges every running line adds to its volume by its flow; the weight is the sum of all volumes, less what is
on its way to the glass. So every mean of the scale's readings says something of all lines that ran, by their joint
covariance: most of those that run alone or began last, and of the rest by how well their flows were known. This is the
Kalman filter over the learned flows, with three states more for the serving: each run's volume, its own deviation
(rollers, gas), and the weight at the beginning.

The end of a run is moved by predictive cut-off: switch off when what has come, and what still comes after it, will be
the dose. Batch control calls that preact, weighing controllers free-fall compensation; US patent 6,380,495 learns its
constants by recursive least squares. Here what still comes is a state of each line, and the transit time of all.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from controller.metering.averages import SPAN_S, Average, Averages
from controller.metering.kalman import Innovation
from controller.metering.learned_flows import END, FACTOR, LAG, LearnedFlows, LineBasis, restored
from controller.model.learning import LearnedState
from controller.model.plan import Segment

GATE = 16.0  # of the innovation squared: 4 standard deviations; knocks and hands lie beyond
GATED_FOR_GOOD = 5  # so many in a row are no knock
# An exponentially weighted mean of normalised innovations (S. W. Roberts, Technometrics 1 (1959) 239) has the standard
# deviation sqrt(share / (2 - share)) = 0.33; beyond 4 of them the flows are not what they were.
TREND_SHARE, TREND_LIMIT = 0.2, 1.33
CHANGED = 0.03  # by which a flow may then be off
U_EMPTY_G = 1e3  # of a weight of which nothing is known
CREEP_G2_S = 3e-4  # variance that the weight of nothing gathers in a second: slow noise, drift and creep
# A carbonated run differs by as much from the one before, and wanders on as it runs; common practice, no source. That
# counts as so many degrees of freedom beside those of the scatter that the line's calibration found.
GAS_RUN, GAS_DOF, GAS_WANDER_S = 0.03, 4.0, 8.0
# Gas that gathers at rest pushes liquid back, which is missing at the next start: mL/s, at most mL, and how far off
# that may be, as a share; common practice, no source.
GAS_REST_ML_S, GAS_REST_ML, U_GAS_REST = 0.001, 0.8, 0.7
DROPS_S = 1.0  # mean time in which what clings to the outlet falls
# A stream's liquid falls for about 0.19 s (0.17 m) and is not weighed meanwhile; landing, it presses by its momentum as
# much as was in the air, but for its speed at the outlet, and the funnel evens that out. So the weight lacks a new
# stream for so much longer than it lags behind a steady one, and catches up within EASED_S; common practice, no source.
LATER_S, EASED_S = 0.05, 0.16
EDGE_SHARE = 0.4  # how far an edge's way to the weight is off what that makes of it, as a share
ALONG_S = 0.5  # longest piece in which a flow counts as steady


@dataclass
class PlannedPour:
    """One run: planned, then as switched. Times count from the serving's begin (s)."""

    line: int
    start_s: float
    end_s: float
    volume_ml: float
    has_begun: bool = False
    has_ended: bool = False


@dataclass
class _Pouring:
    """What a serving adds to a line's states, and since when (s) its outlet has run, and has stopped again."""

    volume: int
    deviation: int
    run_a: float
    is_on: bool = False
    ran_s: float = math.inf
    stopped_s: float = math.inf
    pending_ml: float = 0.0  # what a start still keeps back: the outlet runs when that is over
    edge_g: float = 0.0  # how far the weight may be off since its last edge


@dataclass(frozen=True)
class EstimatedPour:
    """A line's volume so far (mL), and its standard uncertainty."""

    volume_ml: float
    u_ml: float


@dataclass
class WeighedPour:
    """Follows one serving. flows: changed as it goes, to be kept when the serving was followed to its end.

    runs: as planned. run_a: line -> steady current (A). lines: all that may run, when some runs are planned later.
    Readings come in order of time, and edges before the first reading that is later.
    """

    flows: LearnedFlows
    runs: list[PlannedPour]
    run_a: Mapping[int, float]
    averages: Averages = field(default_factory=Averages)
    lines: Collection[int] = ()
    innovations: list[tuple[float, Innovation]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.filter = self.flows.filter
        self._known = len(self.filter.mean)
        self.at_s = min((run.start_s for run in self.runs), default=0.0)
        self._empty = self.filter.add(0.0, U_EMPTY_G**2)
        self._lines: dict[int, _Pouring] = {}
        self.lines = sorted({run.line for run in self.runs}.union(self.lines))
        for line in self.lines:
            volume = self.filter.add(0.0, 0.0)
            self._lines[line] = _Pouring(volume, self.filter.add(0.0, 0.0), self.run_a[line])
        self._clings = 0.0  # 1 while liquid runs, then less with every drop
        self._begun_wall_s = self.flows.at_wall_s - self.at_s
        self._edges: list[tuple[float, int, bool]] = []
        self._gated: list[float] = []
        self._trend = 0.0

    # --- what happens

    def switched(self, line: int, is_on: bool, at_s: float) -> None:
        """A line was switched."""
        for run in self.runs:
            if run.line == line and is_on and not run.has_begun:
                run.end_s += at_s - run.start_s
                run.start_s, run.has_begun = at_s, True
                break
            if run.line == line and not is_on and run.has_begun and not run.has_ended:
                run.end_s, run.has_ended = at_s, True
                break
        self._edges.append((at_s, line, is_on))

    def replan(self, runs: list[PlannedPour]) -> None:
        """Other runs take the place of all that have not begun or were broken off: they bring what is still owed."""
        kept = [run for run in self.runs if run.has_begun]
        for line in {run.line for run in runs}:
            mine = [run for run in kept if run.line == line]
            if mine:
                asked_ml = sum(run.volume_ml for run in self.runs if run.line == line)
                owed_ml = sum(run.volume_ml for run in runs if run.line == line)
                mine[-1].volume_ml = asked_ml - owed_ml - sum(run.volume_ml for run in mine[:-1])
        self.runs = kept + runs

    def read(self, at_s: float, grams: float) -> bool:
        """Take in a reading; whether anything new is known by it."""
        due = [edge for edge in self._edges if edge[0] <= at_s]
        averages = [self.averages.flush()] if due else []
        if not due:
            averages.append(self.averages.add(at_s, grams))
        found = [one for one in averages if one is not None]
        for average in found:
            self._measure(average)
        if due:
            self._pass(at_s)
            self.averages.add(at_s, grams)
        return bool(found)

    def under_way(self) -> list[PlannedPour]:
        """The runs that have begun, have not ended, and of which the scale has seen something."""
        return [run for run in self.runs if run.has_begun and not run.has_ended and self._lines[run.line].is_on]

    @property
    def is_at_rest(self) -> bool:
        """Whether every line is off, and readings have come since."""
        return not self._edges and not any(one.is_on for one in self._lines.values())

    def close(self) -> LearnedFlows:
        """The serving is over: the flows, without what belonged to it alone."""
        self.filter.keep(range(self._known))
        self.flows.at_wall_s = self._begun_wall_s + self.at_s
        return self.flows

    # --- what is known

    def poured(self, line: int) -> EstimatedPour:
        """What has left the line's outlet, or will have when it has come to rest."""
        terms = {self._lines[line].volume: 1.0}
        if self._lines[line].is_on:
            terms[self.flows.state(line, END)] = 1.0
        mean, variance = self.filter.expect(terms)
        return EstimatedPour(mean, math.hypot(math.sqrt(max(0.0, variance)), self.flows.bases[line].u_density * mean))

    def cut_off_s(self, run: PlannedPour) -> float:
        """When to switch a run off that has begun, so that its line has delivered all its doses up to this one."""
        wanted_ml = 0.0
        for one in self.runs:
            if one.line == run.line:
                wanted_ml += one.volume_ml
            if one is run:
                break
        left_ml = wanted_ml - self.poured(run.line).volume_ml
        at_s = max(self.at_s, run.start_s)
        others = [one for one in self.runs if one.line != run.line and one.end_s > at_s]
        corners = sorted({t for one in others for t in (one.start_s, one.end_s) if t > at_s})
        for corner_s in (*corners, math.inf):
            beside_a = sum(self.run_a[one.line] for one in others if one.start_s <= at_s < one.end_s)
            flow_ml_s = self._flow_ml_s(run.line, beside_a)
            if left_ml <= flow_ml_s * (corner_s - at_s):
                return at_s + left_ml / flow_ml_s
            left_ml -= flow_ml_s * (corner_s - at_s)
            at_s = corner_s
        return at_s

    def _flow_ml_s(self, line: int, beside_a: float) -> float:
        terms = self.flows.flow_terms(line) | {self._lines[line].deviation: 1.0}
        return max(0.2, 1.0 + self.filter.expect(terms)[0]) * self._steady_ml_s(line, beside_a)

    def _steady_ml_s(self, line: int, beside_a: float) -> float:
        calibration = self.flows.bases[line].calibration
        return calibration.flow_ml_s * (1.0 - calibration.sag_per_a * beside_a)

    # --- the filter

    def _pass(self, to_s: float) -> None:
        """Bring the states to to_s, over the edges on the way."""
        while self._edges and self._edges[0][0] <= to_s:
            at_s, line, is_on = self._edges.pop(0)
            self._flow_until(at_s)
            self._switch(line, is_on)
        self._flow_until(to_s)

    def _flow_until(self, to_s: float) -> None:
        while to_s > self.at_s:
            passed_s = min(ALONG_S, to_s - self.at_s)
            self._flow_on(passed_s)
            self.at_s = to_s if to_s - self.at_s <= ALONG_S else self.at_s + passed_s

    def _flow_on(self, passed_s: float) -> None:
        transit_s = max(0.05, self.filter.mean[self.flows.transit])
        on = [line for line, one in self._lines.items() if one.is_on]
        total_a = sum(self.run_a[line] for line in on)
        for line, one in self._lines.items():
            flowing_s = passed_s
            if one.is_on:
                flow_ml_s = self._steady_ml_s(line, total_a - one.run_a)
                self._run_on(line, one, passed_s, flow_ml_s * passed_s)
                flowing_s -= min(passed_s, one.pending_ml / flow_ml_s)
                one.pending_ml = max(0.0, one.pending_ml - flow_ml_s * passed_s)
            one.ran_s += flowing_s
            one.stopped_s += flowing_s
            one.edge_g *= math.exp(-flowing_s / transit_s)
        self._clings = 1.0 if on else self._clings * math.exp(-passed_s / DROPS_S)
        self.filter.widen({self._empty: 1.0}, CREEP_G2_S * passed_s)

    def _run_on(self, line: int, one: _Pouring, passed_s: float, moved_ml: float) -> None:
        """A line that is on moves so much more, were its flow as calibrated."""
        terms = {state: moved_ml * c for state, c in self.flows.flow_terms(line).items()}
        self.filter.move(one.volume, terms | {one.deviation: moved_ml}, moved_ml)
        self.flows.heat(line, passed_s)
        if self.flows.bases[line].is_carbonated:
            kept = math.exp(-passed_s / GAS_WANDER_S)
            self.filter.fade(one.deviation, kept)
            self.filter.widen({one.deviation: 1.0}, self._deviation_variance(line) * (1.0 - kept * kept))

    def _deviation_variance(self, line: int) -> float:
        basis = self.flows.bases[line]
        own, dof = max(0.002, basis.calibration.scatter_fraction) ** 2, basis.calibration.scatter_dof
        return (GAS_DOF * GAS_RUN**2 + dof * own) / (GAS_DOF + dof) if basis.is_carbonated else own

    def _switch(self, line: int, is_on: bool) -> None:
        one, basis = self._lines[line], self.flows.bases[line]
        lag, end = self.flows.state(line, LAG), self.flows.state(line, END)
        one.is_on = is_on
        one.ran_s, one.stopped_s = (0.0, math.inf) if is_on else (one.ran_s, 0.0)
        if is_on:
            self.filter.set(one.deviation, 0.0, self._deviation_variance(line))
            missing_ml, gas_ml2 = self._gathered(line) if basis.is_carbonated else (0.0, 0.0)
            lag_ml = basis.flow_ml_s * basis.calibration.lag_s + missing_ml
            self.filter.move(one.volume, {lag: -1.0, end: -1.0}, -lag_ml)
            self.filter.widen({one.volume: 1.0}, gas_ml2)
            one.pending_ml = max(0.0, lag_ml + self.filter.mean[lag] + self.filter.mean[end])
            one.edge_g += basis.grams_per_ml * math.sqrt(gas_ml2)  # the outlet runs sooner or later than that
        else:
            self.filter.move(one.volume, {end: 1.0})
            one.pending_ml = 0.0
            self.flows.ran_wall_s[line] = self._begun_wall_s + self.at_s
        variance = 0.5 * max(0.02, basis.calibration.scatter_ml) ** 2
        self.filter.widen({one.volume: 1.0}, variance)
        one.edge_g += EDGE_SHARE * basis.grams_per_ml * basis.flow_ml_s * self.filter.mean[self.flows.transit]

    def _gathered(self, line: int) -> tuple[float, float]:
        """What gas has pushed back since the line ran last (mL), and the variance of that."""
        now_s = self._begun_wall_s + self.at_s
        gathered_ml = min(GAS_REST_ML, GAS_REST_ML_S * max(0.0, now_s - self.flows.ran_wall_s[line]))
        return gathered_ml, (U_GAS_REST * gathered_ml) ** 2

    def _measure(self, average: Average) -> None:
        self._pass(average.at_s)
        terms, offset_g, edges_g2 = self._weighed()
        found = self.filter.measure(terms, average.grams - offset_g, average.u_grams**2 + edges_g2, GATE)
        self.innovations.append((self.at_s, found))
        if found.accepted:
            self._gated = []
            self._trend += TREND_SHARE * (found.deviations - self._trend)
        else:
            self._gated.append(found.gap)
        if len(self._gated) >= GATED_FOR_GOOD:
            self._believe(self._gated)
        elif abs(self._trend) > TREND_LIMIT:
            self._flows_changed()

    def _weighed(self) -> tuple[dict[int, float], float, float]:
        """The weight now: states with their coefficients, what to add (g), and the variance that edges leave (g2)."""
        terms = {self._empty: 1.0, self.flows.clinging: -self._clings}
        transit_s = max(0.05, self.filter.mean[self.flows.transit])
        coming_g_s, offset_g, edges_g2 = 0.0, 0.0, 0.0
        for line, one in self._lines.items():
            grams_per_ml = self.flows.bases[line].grams_per_ml
            terms[one.volume] = grams_per_ml
            flow_g_s = grams_per_ml * self._flow_ml_s(line, 0.0)
            lacks_s, by_transit = _lacks_s(one, transit_s)
            coming_g_s += flow_g_s * by_transit
            offset_g += grams_per_ml * one.pending_ml - flow_g_s * (lacks_s - by_transit * transit_s)
            edges_g2 += one.edge_g**2
        terms[self.flows.transit] = -coming_g_s
        return terms, offset_g, edges_g2

    def _foresee(self, at_s: float, u_grams: float) -> None:
        """Take in a reading as it is expected to be."""
        self._pass(at_s)
        terms, _, edges_g2 = self._weighed()
        self.filter.measure(terms, self.filter.expect(terms)[0], u_grams**2 + edges_g2)

    def _believe(self, gaps_g: list[float]) -> None:
        """So many means in a row cannot be knocks: a step that stays, or flows that are not what they were."""
        is_still = not any(one.is_on for one in self._lines.values())
        if is_still or abs(gaps_g[-1] - gaps_g[0]) < 0.5 * abs(gaps_g[-1]):
            self.filter.set(self._empty, self.filter.mean[self._empty], U_EMPTY_G**2)
            self._gated, self._trend = [], 0.0
        else:
            self._flows_changed()

    def _flows_changed(self) -> None:
        """The lines that run do so otherwise than was thought possible: their flows are to be learned anew."""
        for line, one in self._lines.items():
            if one.is_on:
                self.filter.widen({self.flows.state(line, FACTOR): 1.0}, CHANGED**2)
        self._gated, self._trend = [], 0.0


def _lacks_s(one: _Pouring, transit_s: float) -> tuple[float, float]:
    """How many seconds of its flow have left the outlet and are not weighed yet, and how that goes with the transit."""
    since_start, since_stop = _behind_s(one.ran_s, transit_s), _behind_s(one.stopped_s, transit_s)
    if one.is_on:
        return since_start
    return since_start[0] - since_stop[0], since_start[1] - since_stop[1]


def _behind_s(since_s: float, transit_s: float) -> tuple[float, float]:
    """By how much the weight is behind an edge of so long ago (s), and how that goes with the transit time."""
    eased_s = since_s - transit_s - LATER_S
    return (since_s, 0.0) if eased_s < 0.0 else (transit_s + LATER_S * math.exp(-eased_s / EASED_S), 1.0)


def foreseen_u_ml(
    flows: LearnedFlows, runs: list[PlannedPour], run_a: Mapping[int, float], u_grams: float
) -> dict[int, float]:
    """Standard uncertainty of each line's volume when its last run will have been cut off, before anything is poured.

    A covariance does not depend on what is measured, only on when: so the serving is followed with readings that come
    as expected, a mean of u_grams (g) every SPAN_S. flows and runs stay as they are.
    """
    pour = WeighedPour(flows.copy(), [replace(run) for run in runs], run_a)
    edges = sorted((t, on, run.line) for run in runs for t, on in ((run.start_s, True), (run.end_s, False)))
    found: dict[int, float] = {}
    pour._measure(Average(pour.at_s, 0.0, 0.5 * u_grams))
    at_s = pour.at_s
    for edge_s, is_on, line in edges:
        while at_s + SPAN_S < edge_s:
            at_s += SPAN_S
            pour._foresee(at_s, u_grams)
        pour.switched(line, is_on, edge_s)
        pour._pass(edge_s)
        found[line] = pour.poured(line).u_ml
    return found


def foreseen_within_ml(
    state: LearnedState,
    bases: Mapping[int, LineBasis],
    segments: Sequence[Segment],
    run_a: Mapping[int, float],
    u_grams: float,
) -> dict[int, float]:
    """Line -> what its doses are expected to be within (mL, k = 2), when these segments are weighed and trimmed."""
    runs, offset_s = list[PlannedPour](), 0.0
    for segment in segments:
        runs += [
            PlannedPour(one.line, offset_s + one.start_s, offset_s + one.start_s + one.duration_s, one.volume_ml)
            for one in segment.runs
        ]
        offset_s = max((run.end_s for run in runs), default=0.0)
    found = foreseen_u_ml(restored(state, bases), runs, run_a, u_grams)
    return {line: 2.0 * u_ml for line, u_ml in sorted(found.items())}
