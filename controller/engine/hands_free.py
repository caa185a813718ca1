"""Calibrating line after line on the machine's own scale, or checking them: one jar, and nobody who types.

Whoever wants it asks for the next step again and again; when nobody asks, nothing begins. What is under way stands in
the ledger: it is taken up after any interruption, with the trials that have been weighed.
"""

import math
from collections.abc import Sequence

import msgspec
from msgspec.structs import replace

from controller.engine.calibrating import Calibrating
from controller.engine.common import Common
from controller.engine.jar import LOOK_S, SAME_G, Jar, doubt, looked_at, stands
from controller.engine.settled_load import Settled, SettledLoad
from controller.errors import Refused
from controller.ledger.records import Entry, OpenSequence
from controller.model.fields import Value, like
from controller.model.hands_free import HandsFreeLine, HandsFreeRequest, HandsFreeState, HandsFreeView
from controller.model.messages import Stop
from controller.model.plan import PlannedRun
from controller.model.requests import CalibrationRequest, SpotCheckRequest
from controller.model.states import Contents, OperationKind, Outcome
from controller.model.views import FitView
from controller.sequencing.line_runs import most_ml, timed_runs, wetting_runs

KIND, ALL_LINES = "calibrate", 0  # of the sequence in the ledger
DRAIN_S = 2.0  # from a trial's end until it is weighed: the funnel is empty, and most of the last drops have fallen
U_DROPS_G = 0.03  # a drop of 0.05 mL more or less may still cling; common practice, no source
PATIENCE_S = 20.0  # for a load that does not come to rest
LIFTED_G = 10.0  # less than before the trial: somebody lifted the jar
CHECK_S = 8.0  # of the run that checks a calibration
LEAST_TRIALS, LEAST_TIMES = 6, 3  # as the design of experiments wants at the least
AIM = 0.5  # of a dose's tolerance: what servings teach does the rest
JUST_S = 1.0  # back from now, for what happens while an operation runs
MOST_SPOILT = 3  # trials of one line


class Body(Value, frozen=True, kw_only=True):
    """What is under way, as the ledger keeps it.

    operation: a trial of `line`, or lines being filled (None); on_s: how long it runs; before: the load at its begin;
    gained: what it brought, once that is weighed, until it is booked.
    """

    asked: HandsFreeRequest
    jar: Jar = Jar()
    operation: str | None = None
    line: int | None = None
    on_s: float = 0.0
    before: Settled | None = None
    gained: Settled | None = None
    spoilt: dict[int, int] = msgspec.field(default_factory=dict)
    failed: dict[int, str] = msgspec.field(default_factory=dict)
    checked: dict[int, str] = msgspec.field(default_factory=dict)  # line -> what was found
    remarks: tuple[str, ...] = ()
    running_s: float = 0.0


class HandsFree:
    """The procedure. Refusals are raised as Refused."""

    def __init__(self, common: Common, calibrating: Calibrating) -> None:
        self._profile, self._ledger, self._clock = common.profile, common.ledger, common.clock
        self._glasses = common.book.glasses
        self._mirror, self._operation_start, self._calibrating = common.mirror, common.operation_start, calibrating
        self._scale = SettledLoad(common.profile, common.clock, common.mirror)
        self._settling = ""  # the operation after whose end the load comes to rest
        self._rests_s = -math.inf  # from when the load counts (monotonic s)
        self._stepped_s: float | None = None  # when the last step was taken, unless it waits for a person
        self._seen: tuple[float, float] | None = None  # what may be the empty jar: its load (g), since when (s)
        self._lines: tuple[HandsFreeLine, ...] = ()  # as last kept
        self._unkept_s = 0.0  # of running time, that the ledger does not know yet

    # --- what people ask

    def begin(self, request: HandsFreeRequest) -> HandsFreeView:
        """Begin, or take up what is under way, which goes on as it was begun."""
        self._scale.require()
        if self._open() is None:
            lines = request.lines or tuple(sorted(line for line, one in self._mirror.lines().items() if one.liquid))
            for line in lines:
                self._operation_start.require_line(line)
            if not lines:
                raise Refused(rule="line", reason="nothing hangs on any line.", remedy="Say what does: tundish assign")
            text = msgspec.json.encode(Body(asked=replace(request, lines=lines))).decode()
            self._ledger.sequences.begin(KIND, ALL_LINES, text, wall_s=self._clock.wall_s())
        self._stepped_s = None
        return self.next()

    def next(self) -> HandsFreeView:
        """Take the next step if it is time; what is going on, or what a person has to do."""
        known, body = self._require()
        u_span = self._scale.require()
        now_s = self._clock.now_s()
        if self._stepped_s is not None:
            self._unkept_s += now_s - self._stepped_s
        self._stepped_s = now_s
        body = replace(body, running_s=body.running_s + self._unkept_s)
        view = self._step(known, body, u_span)
        if view.state in ("jar", "empty"):
            self._stepped_s = None
        return view

    def drop(self) -> None:
        """Give it up; calibrations in force and trials that have been weighed stay."""
        self._ledger.sequences.end(self._require()[0].seq, "dropped", wall_s=self._clock.wall_s())

    # --- steps

    def _step(self, known: OpenSequence, body: Body, u_span: float) -> HandsFreeView:
        if body.operation is not None:
            if body.gained is not None and body.line is not None:
                booked = replace(body, operation=None, gained=None)
                return self._keep(known, self._book(booked, body.operation, body.line, body.gained, u_span))
            return self._follow(known, body, self._ledger.entry(body.operation))
        todo = [line for line in body.asked.lines if not self._is_through(known, body, line)]
        if not todo:
            self._ledger.sequences.end(known.seq, "done", wall_s=self._clock.wall_s())
            return self._view(known, body, "done", "All lines are through: take the jar away.")
        return self._prepare(known, body, todo)

    def _book(self, body: Body, operation: str, line: int, gained: Settled, u_span: float) -> Body:
        """What a trial brought, as a weighing or a spot check."""
        if body.asked.purpose == "calibrate":
            self._calibrating.weigh_on_scale(operation, line, gained.load_g, gained.u_g, u_span)
            return body
        request = SpotCheckRequest(
            operation=operation, line=line, grams=gained.load_g, u_grams=gained.u_g, adopt=body.asked.adopt
        )
        try:
            found = self._calibrating.spot_check(request, u_span=u_span)
        except Refused as no:
            return replace(body, failed=body.failed | {line: f"{no.reason} {no.remedy}"})
        says = " ".join((f"{found.status}, {found.error_percent:+.1f} %.", *found.reasons))
        return replace(body, checked=body.checked | {line: says})

    def _follow(self, known: OpenSequence, body: Body, entry: Entry | None) -> HandsFreeView:
        """An operation runs, or its weight is awaited."""
        if entry is None or entry.outcome is None:
            if self._is_lifted(body, self._clock.now_s() - JUST_S):
                self._mirror.ask(Stop(), "stop")
            text = "Lines are primed into the jar." if body.line is None else f"Line {body.line} runs into the jar."
            return self._view(known, body, "priming" if body.line is None else "trial", text)
        if self._settling != entry.operation:
            self._settling, self._rests_s = entry.operation, self._clock.now_s() + DRAIN_S
        if self._is_lifted(body, self._rests_s - DRAIN_S - body.on_s - JUST_S):
            return self._spoil(known, body, "the jar was lifted.")
        if entry.outcome != Outcome.DONE:
            why = "; ".join(one.reason for one in entry.refusals) or f"it ended as {entry.outcome} ({entry.reason})."
            return self._spoil(known, body, why)
        after = self._scale.at_rest(self._rests_s)
        if after is None:
            if self._clock.now_s() > self._rests_s + PATIENCE_S:
                return self._spoil(known, body, "the load did not come to rest.")
            return self._view(known, body, "weighing", "The last drops fall.")
        weighed = replace(body, jar=replace(body.jar, last_g=after.load_g))
        if body.line is None or body.before is None:
            return self._keep(known, replace(weighed, operation=None))
        u_g = math.hypot(body.before.u_g, after.u_g, U_DROPS_G)
        gained = Settled(load_g=max(after.load_g - body.before.load_g, 0.0), u_g=u_g)
        return self._keep(known, replace(weighed, gained=gained))

    def _is_lifted(self, body: Body, since_s: float) -> bool:
        return body.before is not None and self._scale.was_below(body.before.load_g - LIFTED_G, since_s)

    def _spoil(self, known: OpenSequence, body: Body, why: str) -> HandsFreeView:
        """The operation does not count; after some of a line, or when it cannot be filled, something is wrong there."""
        lines = self._unfilled(body) if body.line is None else (body.line,)
        spoilt = body.spoilt | {line: body.spoilt.get(line, 0) + 1 for line in lines}
        failed = {line: why for line in lines if spoilt[line] >= MOST_SPOILT}
        what = "Filling" if body.line is None else f"A trial of line {body.line}"
        remarks = (*body.remarks, f"{what} does not count: {why}")
        return self._keep(
            known, replace(body, operation=None, spoilt=spoilt, failed=body.failed | failed, remarks=remarks)
        )

    def _prepare(self, known: OpenSequence, body: Body, todo: Sequence[int]) -> HandsFreeView:
        """Begin what comes next, once a jar with enough room stands at rest."""
        line = todo[0]
        fit = self._calibrating.fit(line) if body.asked.purpose == "calibrate" else None
        if fit is not None and _is_enough(fit):
            return self._accept(known, body, fit)
        load = self._scale.at_rest()
        if load is None or self._mirror.is_under_way():
            return self._view(known, body, "weighing", "Waiting for the load to come to rest.")
        if not stands(body.jar, load.load_g):
            self._seen = None
            return self._view(known, body, "jar", _ask_for_jar(body))
        if body.jar.empty_g is None:
            if why := doubt(load.load_g, body.asked.jar_ml, self._glasses):
                return self._view(known, body, "jar", f"{why}. {_ask_for_jar(body)}")
            if not self._is_seen_twice(load.load_g):
                return self._view(known, body, "weighing", "Looking at the jar once more.")
            remark = f"Taken as the empty jar: {load.load_g:.0f} g."
            body = replace(body, remarks=(*body.remarks, remark))
        body = replace(body, jar=looked_at(body.jar, load.load_g), before=load)
        if unfilled := self._unfilled(body):
            liquids = self._operation_start.liquids(unfilled)
            runs = wetting_runs(self._profile, self._mirror.calibrations(), OperationKind.PRIME, liquids)
            return self._begin(known, replace(body, line=None), OperationKind.PRIME, runs)
        on_s = CHECK_S if fit is None else fit.next_on_s
        runs = self._trial(line, on_s or 0.0)
        if fit is not None:
            taken_ml = sum(one.volume_ml for one in fit.trials)
            if on_s is None or taken_ml + self._most_ml(runs) > body.asked.most_ml:
                return self._accept(known, body, fit)
        return self._begin(known, replace(body, line=line, on_s=on_s or 0.0), OperationKind.TRIAL, runs)

    def _is_seen_twice(self, load_g: float) -> bool:
        """Whether this load stood there LOOK_S ago already: what leans on the scale does not keep so still."""
        now_s = self._clock.now_s()
        if self._seen is None or abs(load_g - self._seen[0]) > SAME_G:
            self._seen = (load_g, now_s)
        return now_s - self._seen[1] >= LOOK_S

    def _begin(self, known: OpenSequence, body: Body, kind: OperationKind, runs: Sequence[PlannedRun]) -> HandsFreeView:
        room_ml = min(body.jar.room_ml(body.asked.jar_ml), self._profile.hygiene.jug_ml)
        if self._most_ml(runs) > room_ml:
            return self._view(known, body, "empty", "The jar is full: empty it and set it back.")
        self._mirror.require_ready()
        asked = self._operation_start.runs(kind, tuple(runs), jug=True, jug_ml=room_ml)
        return self._keep(known, replace(body, operation=asked.operation))

    def _accept(self, known: OpenSequence, body: Body, fit: FitView) -> HandsFreeView:
        """Put the fit in force when every dose is inside its tolerance; else the line has failed, its trials stay."""
        doubts = [one.text for one in fit.doubts if one.about != "change"]
        if fit.calibration is None or not _are_inside(fit, 1.0):
            why = f"{len(fit.trials)} trials do not bring every dose inside its tolerance."
            doubts.append(" ".join((why, *(one.text for one in fit.warnings))))
        if doubts:
            return self._keep(known, replace(body, failed=body.failed | {fit.line: " ".join(doubts).strip()}))
        self._calibrating.settle(CalibrationRequest(line=fit.line, by=body.asked.by, sure=True))
        return self._keep(known, body)

    # --- what is known

    def _trial(self, line: int, on_s: float) -> tuple[PlannedRun, ...]:
        liquids = self._operation_start.liquids((line,))
        return timed_runs(self._profile, self._mirror.calibrations(), liquids, on_s)

    def _most_ml(self, runs: Sequence[PlannedRun]) -> float:
        return most_ml(self._profile, self._mirror.calibrations(), runs)

    def _unfilled(self, body: Body) -> tuple[int, ...]:
        """Lines without their liquid in the tube."""
        reports = self._mirror.lines()
        lines = [line for line in body.asked.lines if line not in body.failed]
        return tuple(line for line in lines if reports[line].contents is not Contents.LIQUID)

    def _is_through(self, known: OpenSequence, body: Body, line: int) -> bool:
        return line in body.failed or line in body.checked or self._is_calibrated(known, body, line)

    def _is_calibrated(self, known: OpenSequence, body: Body, line: int) -> bool:
        """Since it was begun."""
        if body.asked.purpose == "check":
            return False
        taken = self._ledger.calibrations(line)
        return bool(taken) and taken[-1].taken_wall_s >= known.begun_wall_s

    def _open(self) -> OpenSequence | None:
        return next(iter(self._ledger.sequences.open(KIND)), None)

    def _require(self) -> tuple[OpenSequence, Body]:
        known = self._open()
        if known is None:
            remedy = "Begin it: tundish calibrate --all"
            raise Refused(rule="sequence", reason="no calibration of all lines is under way.", remedy=remedy)
        return known, msgspec.json.decode(known.body, type=Body)

    def _keep(self, known: OpenSequence, body: Body) -> HandsFreeView:
        self._ledger.sequences.update(known.seq, msgspec.json.encode(body).decode())
        self._unkept_s = 0.0
        self._lines = ()
        return self._view(known, body, "weighing", "Weighed." if body.gained is not None else "Goes on.", again_s=0.0)

    def _view(
        self, known: OpenSequence, body: Body, state: HandsFreeState, text: str, *, again_s: float = 0.25
    ) -> HandsFreeView:
        self._lines = self._lines or tuple(self._line_view(known, body, line) for line in body.asked.lines)
        jar = {"touches": body.jar.touches, "in_jar_g": body.jar.poured_g}
        return like(HandsFreeView, body, state=state, text=text, lines=self._lines, again_s=again_s, **jar)

    def _line_view(self, known: OpenSequence, body: Body, line: int) -> HandsFreeLine:
        liquid = self._operation_start.liquids((line,))[line]
        if line in body.checked:
            return HandsFreeLine(line=line, liquid=liquid, state="checked", trials=1, says=body.checked[line])
        if self._is_calibrated(known, body, line):
            trials = len(self._ledger.weighings_behind(line, liquid))
            return HandsFreeLine(line=line, liquid=liquid, state="calibrated", trials=trials)
        trials = 0
        if body.asked.purpose == "calibrate":
            trials = sum(not one.is_struck for one in self._ledger.open_weighings(line, liquid=liquid))
        if line in body.failed:
            return HandsFreeLine(line=line, liquid=liquid, state="failed", trials=trials, says=body.failed[line])
        return HandsFreeLine(line=line, liquid=liquid, state="under way" if trials else "to do", trials=trials)


def _ask_for_jar(body: Body) -> str:
    if body.jar.empty_g is None:
        return f"Set the empty jar under the outlet: it takes {body.asked.jar_ml:g} mL."
    return f"Set the jar back, as it was or emptied (empty it weighs {body.jar.empty_g:.0f} g)."


def _are_inside(fit: FitView, share: float) -> bool:
    """Whether every dose is expected (95 %) within this share of its tolerance."""
    return bool(fit.doses) and all(one.u95_ml <= share * one.tolerance_ml for one in fit.doses)


def _is_enough(fit: FitView) -> bool:
    """Whether no further trial is wanted."""
    counted = [one for one in fit.trials if one.state == "counts"]
    times = {round(one.on_s, 1) for one in counted}
    return len(counted) >= LEAST_TRIALS and len(times) >= LEAST_TIMES and _are_inside(fit, AIM)
