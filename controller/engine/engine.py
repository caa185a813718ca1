"""The engine's core: answers people, plans, asks the guard, books what came of it.

One thread, no I/O of its own but the ledger: commands leave through `send`, events come in through `on_event`, time
comes from the clock port. So the same code runs behind HTTP and in virtual time.
"""

from collections.abc import Callable, Sequence

import structlog

from controller.clock import Clock
from controller.engine import menu, views
from controller.engine.follow import Follow
from controller.engine.spot_checks import SpotChecks
from controller.engine.tracking import Tracking
from controller.engine.weighing import Weighings
from controller.errors import Refused
from controller.ledger.store import Container, JogAnswer, Ledger
from controller.model.book import Book, Recipe
from controller.model.calibration import Calibration
from controller.model.doses import resolve
from controller.model.messages import Acknowledge, Assign, Command, Event, Refusal, Stop, TakeCalibration
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.profile import Profile
from controller.model.states import OperationKind
from controller.model.views import (
    AcknowledgeRequest,
    Asked,
    AssignRequest,
    CalibrationRequest,
    FitView,
    JogAnswerRequest,
    JogRequest,
    JogView,
    LineRequest,
    MenuEntry,
    OperationView,
    PlanView,
    PourRequest,
    SagView,
    SpotCheckRequest,
    SpotCheckView,
    Status,
    TogetherRequest,
    TrialRequest,
    TrialsRequest,
    WeighingRequest,
)
from controller.sequencing.binding import binding_limit
from controller.sequencing.line_runs import longest_s, timed_runs, wetting_runs
from controller.sequencing.plan import Plan, plan_serving

log = structlog.get_logger()
Listener = Callable[[OperationView | Status], None]
DRAWS = {"clean": "cleaner", "rinse": "rinse water", "purge": "air"}  # what hangs on the tube instead of the container


class Engine:
    """Everything people can ask of the machine. Refusals are raised as Refused, each by its rule."""

    def __init__(
        self,
        *,
        profile: Profile,
        book: Book,
        ledger: Ledger,
        clock: Clock,
        send: Callable[[Command], None],
        new_id: Callable[[], str],
    ) -> None:
        self._profile, self._book, self._ledger, self._clock = profile, book, ledger, clock
        self._send, self._new_id = send, new_id
        self._follow = Follow(profile=profile, ledger=ledger, clock=clock, send=send)
        self._weighings = Weighings(profile=profile, book=book, ledger=ledger, clock=clock)
        self._spot_checks = SpotChecks(
            profile=profile, book=book, ledger=ledger, clock=clock, weighings=self._weighings
        )
        self._listeners: list[Listener] = []
        self._menu: dict[str, tuple[object, MenuEntry]] = {}
        self._hang_what_the_book_says()

    # --- facts

    def status(self) -> Status:
        """The machine at a glance."""
        current = self._follow.current
        return views.status(
            self._profile,
            self._book,
            self._follow.report,
            self._ledger.containers(),
            None if current is None else current.view(self._clock.now_s()),
        )

    def menu(self) -> tuple[MenuEntry, ...]:
        """Every recipe, and why it cannot be poured where it cannot."""
        containers, lines = self._ledger.containers(), self._follow.lines()
        facts = (tuple(lines.values()), tuple(containers.values()))
        for recipe in self._book.recipes:
            known = self._menu.get(recipe.recipe)
            if known is None or known[0] != facts:
                entry = menu.entry(recipe, self._book, self._profile, lines, containers)
                self._menu[recipe.recipe] = (facts, entry)
        return tuple(self._menu[recipe.recipe][1] for recipe in self._book.recipes)

    def plan(self, recipe: str, times: float = 1.0) -> PlanView:
        """The plan of a serving, whether or not the machine could pour it this minute."""
        planned = self._planned(recipe, times)
        binding = binding_limit(self._profile, self._follow.calibrations(), planned)
        return views.plan(self._profile, self._recipe(recipe), times, planned, binding)

    def operation(self, operation: str) -> OperationView:
        """One operation; KeyError when there is none of this name."""
        current = self._follow.current
        if current is not None and current.asked.operation == operation:
            return current.view(self._clock.now_s())
        entry = self._ledger.entry(operation)
        if entry is None:
            raise KeyError(operation)
        return views.booked(entry)

    def history(self, limit: int) -> tuple[OperationView, ...]:
        """The latest operations, newest first."""
        return tuple(map(views.booked, self._ledger.history(limit)))

    def fit(self, line: int) -> FitView:
        """The line's calibration as its weighings have it so far, else the one in force."""
        return self._weighings.view(line, self._liquids((line,))[line], self._follow.calibrations())

    def calibrations(self, line: int) -> tuple[Calibration, ...]:
        """Every calibration the line ever had, oldest first."""
        self._require_line(line)
        return self._ledger.calibrations(line)

    def answer(self, command: str) -> Refusal | None:
        """The guard's refusal of the last command of this tag ("acknowledge", ...), if it refused."""
        return self._follow.answers.get(command)

    # --- requests that begin an operation

    def pour(self, request: PourRequest) -> Asked:
        """Pour a recipe. Repeated with the same key it answers with the operation that was begun before."""
        if request.key is not None:
            known = self._ledger.operation_of_key(request.key)
            if known is not None:
                return Asked(operation=known)
        self._follow.require_ready()
        plan = self._planned(request.recipe, request.times)
        needed = menu.needed_ml(self._recipe(request.recipe), self._book, request.times)
        missing = menu.missing(needed, self._follow.lines(), self._ledger.containers())
        if missing:
            raise Refused(
                rule="readiness",
                reason="; ".join(missing) + ".",
                way_out="See tundish status for what each line needs, or pour something else from tundish menu.",
            )
        lines = menu.lines_by_liquid(self._follow.lines())
        doses_ml = {lines[liquid]: volume_ml for liquid, volume_ml in needed.items()}
        self._spot_checks.require_small_doses_allowed(doses_ml, self._follow.calibrations())
        asked = Operation(
            operation=self._new_id(),
            kind=OperationKind.SERVE,
            segments=plan.segments,
            recipe=request.recipe,
            glass=self._recipe(request.recipe).glass,
        )
        return self._begin(asked, plan=plan, times=request.times, key=request.key)

    def run_lines(self, request: LineRequest) -> Asked:
        """Prime, purge, clean or rinse lines."""
        self._follow.require_ready()
        kind = OperationKind(request.kind)
        liquids = {line: DRAWS.get(kind, liquid) for line, liquid in self._liquids(request.lines).items()}
        runs = wetting_runs(self._profile, self._follow.calibrations(), kind, liquids)
        return self._begin_runs(kind, runs, jug=request.jug)

    def trial(self, request: TrialRequest) -> Asked:
        """Run lines for a known time, to be weighed."""
        self._follow.require_ready()
        liquids = self._liquids(request.lines)
        runs = timed_runs(self._profile, self._follow.calibrations(), liquids, request.on_s)
        return self._begin_runs(OperationKind.TRIAL, runs, jug=request.jug)

    def jog(self, request: JogRequest) -> Asked:
        """Run one line briefly."""
        self._follow.require_ready()
        runs = timed_runs(self._profile, {}, self._liquids((request.line,)), request.on_s)
        return self._begin_runs(OperationKind.JOG, runs, jug=False)

    def answer_jog(self, request: JogAnswerRequest) -> tuple[JogView, ...]:
        """Record what a person saw of a jog; Refused when it was none that ran."""
        entry = self._ledger.entry(request.operation)
        if entry is None or entry.kind != OperationKind.JOG or not entry.deliveries:
            raise Refused(
                rule="jog",
                reason=f"operation {request.operation} is no jog that ran.",
                way_out="Jog the line, then answer.",
            )
        self._ledger.answer_jog(
            JogAnswer(
                operation=request.operation,
                line=entry.deliveries[0].line,
                is_right=request.is_right,
                remark=request.remark,
                wall_s=self._clock.wall_s(),
            )
        )
        return self.jogs()

    def jogs(self) -> tuple[JogView, ...]:
        """Every line, and whether somebody has seen its pump move the right way."""
        return views.jogs(self._profile, self._ledger.jog_answers())

    # --- other requests

    def stop(self) -> None:
        """Everything off now; what is under way ends as stopped."""
        self._send(Stop())

    def confirm(self, operation: str) -> None:
        """The hand step is done: go on."""
        self._follow.confirm(operation)

    def acknowledge(self, request: AcknowledgeRequest) -> None:
        """A person has seen to the latched cause."""
        if self._follow.require_guard().fault is None:
            raise Refused(rule="fault", reason="no fault is latched, so there is nothing to acknowledge.")
        self._follow.ask(Acknowledge(cause=request.cause), "acknowledge")

    def assign(self, request: AssignRequest) -> None:
        """A full container with this liquid now hangs on this line."""
        self._follow.require_guard()
        self._require_line(request.line)
        if request.liquid not in {one.liquid for one in self._book.liquids}:
            known = ", ".join(one.liquid for one in self._book.liquids)
            raise Refused(
                rule="assignment", reason=f"the book has no liquid {request.liquid!r}.", way_out=f"It has: {known}."
            )
        self._hang(request.line, request.liquid, request.container_ml)
        self._follow.ask(Assign(line=request.line, liquid=request.liquid), "assign")

    def weigh(self, request: WeighingRequest) -> FitView:
        """Add a trial's weight; the fit as it then stands."""
        self._weighings.add(request, self._liquids((request.line,))[request.line])
        return self.fit(request.line)

    def weigh_rows(self, request: TrialsRequest) -> FitView:
        """Add trials that were weighed earlier; the fit as it then stands."""
        self._weighings.add_rows(request, self._liquids((request.line,))[request.line])
        return self.fit(request.line)

    def spot_check(self, request: SpotCheckRequest) -> SpotCheckView:
        """Hold a weighed run against the line's calibration."""
        self._require_line(request.line)
        on_record = self._ledger.calibrations(request.line)
        held = self._follow.calibrations().get(request.line, on_record[-1] if on_record else None)
        checked = self._spot_checks.check(request, self._liquids((request.line,))[request.line], held)
        if checked.carried_over is not None:
            self._put_in_force((checked.carried_over,))
        return checked.view

    def weigh_together(self, request: TogetherRequest) -> SagView:
        """Learn the sag from a jar filled by several lines; it goes into their calibrations at once."""
        self._follow.require_guard()
        view, renewed = self._weighings.together(request, self._follow.calibrations())
        self._put_in_force(renewed)
        return view

    def settle_calibration(self, request: CalibrationRequest) -> FitView:
        """Accept the fit (it goes to the guard and on record) or throw the weighings away."""
        view = self.fit(request.line)
        if request.accept:
            self._follow.require_guard()
            self._put_in_force((self._weighings.calibration(view, request),))
        self._weighings.settle(request.line, accepted=request.accept)
        return view

    # --- driven by the process around it

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Call listener on every change, until the returned function is called."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def guard_connected(self) -> None:
        """The guard has accepted us; its Report follows."""
        log.info("guard_connected")

    def guard_lost(self) -> None:
        """The guard cannot be reached."""
        self._follow.lost()
        self._tell()

    def tick(self) -> float | None:
        """Beat while an operation is under way; when to call again (monotonic s), None when nothing is due."""
        return self._follow.tick()

    def on_event(self, event: Event) -> None:
        """Take in what the guard says."""
        self._follow.on_event(event)
        self._tell()

    # --- inside

    def _tell(self) -> None:
        if not self._listeners:
            return
        status = self.status()
        for listener in tuple(self._listeners):
            if status.operation is not None:
                listener(status.operation)
            listener(status)

    def _put_in_force(self, calibrations: Sequence[Calibration]) -> None:
        for calibration in calibrations:
            self._ledger.add_calibration(calibration)
            self._follow.ask(TakeCalibration(calibration=calibration), "take_calibration")

    def _begin_runs(self, kind: OperationKind, runs: Sequence[PlannedRun], *, jug: bool) -> Asked:
        segment = Segment(runs=tuple(runs))
        return self._begin(Operation(operation=self._new_id(), kind=kind, segments=(segment,), jug=jug))

    def _begin(
        self, asked: Operation, *, plan: Plan | None = None, times: float = 1.0, key: str | None = None
    ) -> Asked:
        self._ledger.begin(
            asked.operation, asked.kind, wall_s=self._clock.wall_s(), recipe=asked.recipe, times=times, key=key
        )
        self._follow.begin(
            Tracking(
                asked=asked,
                wanted=() if plan is None else plan.wanted,
                times=times,
                planned_s=sum(longest_s(segment.runs) for segment in asked.segments),
                calibrations=self._follow.calibrations(),
                profile=self._profile,
            )
        )
        return Asked(operation=asked.operation)

    def _planned(self, recipe: str, times: float) -> Plan:
        lines = self._follow.lines()
        phases = resolve(self._recipe(recipe), self._book, times)
        return plan_serving(self._profile, menu.calibrations(lines), menu.lines_by_liquid(lines), phases)

    def _recipe(self, name: str) -> Recipe:
        for recipe in self._book.recipes:
            if recipe.recipe == name:
                return recipe
        known = ", ".join(one.recipe for one in self._book.recipes)
        raise Refused(rule="book", reason=f"the book has no recipe {name!r}.", way_out=f"It has: {known}.")

    def _liquids(self, lines: Sequence[int]) -> dict[int, str]:
        """Line -> the liquid that hangs there, by the guard's report, else by the container on record."""
        for line in lines:
            self._require_line(line)
        containers, reports = self._ledger.containers(), self._follow.lines()
        found = {}
        for line in lines:
            liquid = reports[line].liquid if line in reports else None
            if liquid is None and line in containers:
                liquid = containers[line].liquid
            found[line] = liquid or "nothing"
        return found

    def _require_line(self, line: int) -> None:
        known = [one.line for one in self._profile.lines]
        if line not in known:
            raise Refused(
                rule="line",
                reason=f"the machine has no line {line}.",
                way_out=f"It has lines {', '.join(map(str, known))}.",
            )

    def _hang(self, line: int, liquid: str, container_ml: float) -> None:
        self._ledger.hang(
            Container(
                line=line,
                liquid=liquid,
                container_ml=container_ml,
                remaining_ml=container_ml,
                hung_wall_s=self._clock.wall_s(),
            )
        )

    def _hang_what_the_book_says(self) -> None:
        """On lines of which the ledger knows nothing; what it knows is newer than the book."""
        known = self._ledger.containers()
        for one in self._book.lines:
            if one.line not in known:
                self._hang(one.line, one.liquid, one.container_ml)
