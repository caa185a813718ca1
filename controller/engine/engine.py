"""The engine's core: takes requests, plans, sends commands to the guard, records the results.

One thread, no I/O of its own but the ledger: commands leave through `send`, events come in through `on_event`, time
comes from the clock port. So the same code runs behind HTTP and in virtual time.
"""

from collections.abc import Callable, Sequence

import structlog

from controller.clock import Clock
from controller.engine import views
from controller.engine.background import Work
from controller.engine.calibrating import Calibrating
from controller.engine.commissioning import Commissioning
from controller.engine.common import Common
from controller.engine.guard_mirror import GuardMirror
from controller.engine.hands_free import HandsFree
from controller.engine.history import History
from controller.engine.hygiene import LineHygiene
from controller.engine.learning import Learning
from controller.engine.operation_start import OperationStart
from controller.engine.ordering.queue import OrderQueue
from controller.engine.pouring import Pouring
from controller.engine.scale_setup import ScaleSetup
from controller.engine.sequences import Sequences
from controller.engine.serving_weight import ServingWeight
from controller.engine.slices import at_once
from controller.engine.stock import Stock
from controller.errors import Refused
from controller.ledger.store import Ledger
from controller.model.book import Book
from controller.model.fields import like
from controller.model.labels import strictest
from controller.model.messages import (
    HEARTBEAT_S,
    VERSION,
    Acknowledge,
    ButtonPressed,
    Command,
    Edge,
    EdgesTimed,
    Ended,
    Event,
    Hello,
    Judged,
    LineChanged,
    Refusal,
    Report,
    Stop,
    TakeBook,
    Weighed,
)
from controller.model.plan import PlannedRun, Segment
from controller.model.profile import Profile
from controller.model.requests import (
    AcknowledgeRequest,
    AssignRequest,
    GlassesRequest,
    HistoryQuery,
    JogAnswerRequest,
    JogRequest,
    LineRequest,
    PourRequest,
    TrialRequest,
)
from controller.model.states import OperationKind
from controller.model.views import Asked, JogView, LargerGlass, MenuEntry, Names, OperationView, PlanView, Status
from controller.sequencing.line_runs import timed_runs, wetting_runs

log = structlog.get_logger()
Listener = Callable[[OperationView | Status], None]
DRAWS = {"clean": "cleaner", "rinse": "rinse water", "purge": "air"}  # what hangs on the tube instead of the container


class Engine:
    """Everything people can ask of the machine. Refusals are raised as Refused, each by its rule.

    What belongs to one side of it stands in parts of their own: calibrating, stock, hygiene, sequences, past.

    Attributes:
        book: the book in force. What guests see and lines are judged by is the stricter of it and of the books by
            which bottles were hung and tubes filled.
        work: what does the work that takes its time. In the service, methods raise NotYet before they change anything
            while its answers are missing.
    """

    def __init__(
        self,
        *,
        profile: Profile,
        book: Book,
        ledger: Ledger,
        clock: Clock,
        send: Callable[[Command], None],
        new_id: Callable[[], str],
        work: Work | None = None,
        heartbeat_s: float = HEARTBEAT_S,
    ) -> None:
        self._profile, self._ledger, self._clock, self._send = profile, ledger, clock, send
        self.work = work = work or Work()
        self._mirror = mirror = GuardMirror(
            profile=profile, ledger=ledger, clock=clock, send=send, work=work, heartbeat_s=heartbeat_s
        )
        self._commissioning = begun = Commissioning(profile=profile, ledger=ledger, clock=clock)
        self._operation_start = OperationStart(profile, ledger, clock, mirror, begun, new_id=new_id)
        self.learning = Learning(profile=profile, ledger=ledger, clock=clock, mirror=mirror, send=send)
        self.past = History(ledger)
        self.scale = ScaleSetup(profile=profile, clock=clock, mirror=self._mirror)
        self._weight = ServingWeight(profile=profile, ledger=ledger, clock=clock, mirror=self._mirror)
        self.orders = OrderQueue(profile=profile, ledger=ledger, clock=clock, mirror=self._mirror, work=self.work)
        if ledger.damage:
            log.error("ledger_doubtful", why=ledger.damage)
            ledger.doubt_damage(wall_s=clock.wall_s())
        self._coming: Book | None = None  # the book that the guard is reading
        self._strict = book
        self._work_with(book)
        self._listeners: list[Listener] = []

    def _work_with(self, book: Book) -> None:
        """Make everything that knows the book; what must outlast that is in the ledger or in what follows the guard."""
        self.book, self._strict = book, self._stricter(book)
        common = Common(
            profile=self._profile,
            book=book,
            strict=self._strict,
            ledger=self._ledger,
            clock=self._clock,
            work=self.work,
            mirror=self._mirror,
            commissioning=self._commissioning,
            operation_start=self._operation_start,
            learning=self.learning,
        )
        self._weight.work_with(book)
        self.learning.work_with(book)
        self.calibrating = Calibrating(common)
        self.hands_free = HandsFree(common, self.calibrating)
        self.stock = Stock(common)
        self.hygiene = LineHygiene(common)
        self.sequences = Sequences(common, self.stock, self.hygiene, runs=self._wetting)
        self._pouring = Pouring(common, self.stock, self.hygiene, self.calibrating.spot_checks)
        self.orders.work_with(self._strict.title, self._strict.house, self._pouring)

    def _stricter(self, book: Book) -> Book:
        return strictest(book, (label for line in self._mirror.lines().values() for label in line.labels))

    # --- facts

    def now_s(self) -> float:
        """Its clock (monotonic s)."""
        return self._clock.now_s()

    def status(self) -> Status:
        """The machine at a glance."""
        current = self._mirror.current
        return views.status(
            self._profile,
            self.book,
            self._mirror.report,
            self.stock.containers(),
            overdue=self._pouring.blocked(),
            jogs=self._commissioning.views(),
            operation=None if current is None else current.view(self._clock.now_s()),
            doubts=self._ledger.doubts,
            has_drifted=[one.line for one in self._profile.lines if self.learning.drift(one.line)],
        )

    @property
    def is_judging(self) -> bool:
        """Whether the guard still owes its word about a plan of the menu or of a request."""
        return self._pouring.verdicts.are_open

    def names(self) -> Names:
        """What requests may name."""
        return views.names(self.book, self._profile, self._mirror.lines())

    def menu(self) -> tuple[MenuEntry, ...]:
        """Every recipe, and why it cannot be poured where it cannot."""
        return self._pouring.menu()

    def plan(self, request: PourRequest) -> PlanView:
        """The plan of a serving, whether or not the machine could pour it this minute."""
        return self._pouring.plan(request)

    def operation(self, operation: str) -> OperationView:
        """One operation; KeyError when there is none of this name."""
        current = self._mirror.current
        if current is not None and current.asked.operation == operation:
            return current.view(self._clock.now_s())
        entry = self._ledger.entry(operation)
        if entry is None:
            raise KeyError(operation)
        return views.booked(entry)

    def plan_under_way(self, operation: str) -> tuple[Segment, ...]:
        """The plan that an operation began with, () for one on record; KeyError when there is none of this name."""
        current = self._mirror.current
        if current is not None and current.asked.operation == operation:
            return current.asked.segments
        self.operation(operation)
        return ()

    def history(self, limit: int) -> tuple[OperationView, ...]:
        """The latest operations, newest first."""
        return at_once(self.past.page(HistoryQuery(limit=limit)))

    def answer(self, command: str) -> Refusal | None:
        """The guard's refusal of the last command of this tag ("acknowledge", ...), if it refused."""
        return self._mirror.answers.get(command)

    # --- requests that begin an operation

    def pour(self, request: PourRequest) -> Asked:
        """Pour a recipe. Repeated with the same key it answers with the operation that was begun before."""
        return self._pouring.pour(request)

    def run_lines(self, request: LineRequest) -> Asked:
        """Prime, purge, clean or rinse lines."""
        self._mirror.require_ready()
        kind = OperationKind(request.kind)
        return self._operation_start.runs(
            kind, self._wetting(kind, request.lines), jug=request.jug, in_air=request.in_air
        )

    def trial(self, request: TrialRequest) -> Asked:
        """Run lines for a known time, to be weighed."""
        self._mirror.require_ready()
        liquids = self._operation_start.liquids(request.lines)
        runs = timed_runs(self._profile, self._mirror.calibrations(), liquids, request.on_s)
        return self._operation_start.runs(OperationKind.TRIAL, runs, jug=request.jug)

    def jog(self, request: JogRequest) -> Asked:
        """Run one line briefly."""
        self._mirror.require_ready()
        runs = timed_runs(self._profile, {}, self._operation_start.liquids((request.line,)), request.on_s)
        return self._operation_start.runs(OperationKind.JOG, runs, jug=request.jug)

    def answer_jog(self, request: JogAnswerRequest) -> tuple[JogView, ...]:
        """Record what a person saw of a jog; Refused when it was none that ran."""
        self._commissioning.answer(request)
        self._tell()
        return self.jogs()

    def jogs(self) -> tuple[JogView, ...]:
        """Every line, and whether somebody has seen its pump move the right way."""
        return self._commissioning.views()

    # --- other requests

    def stop(self) -> None:
        """Everything off now; what is under way ends as stopped."""
        self._send(Stop())

    def confirm(self, operation: str) -> None:
        """What the operation waits for is done: go on."""
        current = self._mirror.current
        line = self._mirror.confirm(operation)
        if line is not None and current is not None:
            self.stock.changed_meanwhile(line, since_wall_s=current.intent.asked_wall_s)

    def acknowledge(self, request: AcknowledgeRequest) -> None:
        """A person has seen to the latched cause."""
        if self._mirror.require_guard().fault is None:
            raise Refused(rule="fault", reason="no fault is latched, so there is nothing to acknowledge.")
        self._mirror.ask(Acknowledge(cause=request.cause), "acknowledge")

    def renew_book(self, book: Book) -> None:
        """Work with this book as soon as the guard has read the same from its own file."""
        self._mirror.require_ready()
        self._coming = book
        self._mirror.ask(TakeBook(mark=book.mark), "take_book")

    def counted_smaller(self) -> tuple[LargerGlass, ...]:
        """Glasses that the book has larger than before, which nobody has confirmed."""
        report = self._mirror.report
        counted = {} if report is None else {one.glass: one for one in report.glasses}
        return tuple(
            like(LargerGlass, one, counted=counted[one.glass]) for one in self.book.glasses if one.glass in counted
        )

    def held_figures(self) -> tuple[str, ...]:
        """What of the books before still counts, a sentence for each liquid and line."""
        reports = self._mirror.lines().values()
        return tuple(views.held_label(one.line, label) for one in reports for label in one.labels)

    def confirm_glasses(self, request: GlassesRequest) -> None:
        """A person says that these glasses are as large as the book has them now."""
        self._mirror.require_ready()
        asked = {one.glass for one in self.counted_smaller()}
        if unknown := sorted(set(request.glasses) - asked):
            raise Refused(
                rule="glass",
                reason=f"nothing is asked about {' and '.join(unknown)}.",
                remedy=f"Asked about: {', '.join(sorted(asked)) or 'no glass'}.",
            )
        self._mirror.ask(TakeBook(mark=self.book.mark, larger_glasses=request.glasses), "take_book")

    def assign(self, request: AssignRequest) -> None:
        """A full container with this liquid now hangs on this line."""
        self._operation_start.require_line(request.line)
        self.stock.assign(request)

    # --- driven by the process around it

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Call listener on every change, until the returned function is called."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def hello(self) -> Hello:
        """The first message to the guard: the last entry of its journal that is known here, and what hangs by stock."""
        return Hello(version=VERSION, role="engine", journal=self._ledger.guard_head, stock=self.stock.known_to_guard())

    def guard_connected(self) -> None:
        """The guard has accepted us; its Report follows."""
        log.info("guard_connected")

    def guard_lost(self) -> None:
        """The guard cannot be reached."""
        self._mirror.lost()
        self.orders.on_change()
        self._tell()

    def tick(self) -> float | None:
        """Beat while an operation is under way; when to call again (monotonic s), None when nothing is due."""
        dues = [due for due in (self._mirror.tick(), self.orders.tick()) if due is not None]
        return min(dues, default=None)

    def on_event(self, event: Event) -> None:
        """Take in what the guard says."""
        if isinstance(event, Weighed):
            self._mirror.on_event(event)
            self.scale.note_readings()
            self.learning.on_event(event)
            if self._weight.on_event(event):
                self._tell()
            return
        before = self._mirror.lines()
        self._mirror.on_event(event)
        self._weight.on_event(event)
        self.learning.on_event(event)
        if isinstance(event, Report):
            self._compare_books(event)
        if isinstance(event, Report | LineChanged) and self._stricter(self.book) != self._strict:
            self._work_with(self.book)
            if held := self.held_figures():
                log.warning("stricter_figures", figures=held)
        self.hygiene.note_changes(before, self.sequences.signature)
        if isinstance(event, Report | LineChanged | Ended):
            self.sequences.end_done()
        self.stock.sync()
        if not isinstance(event, Edge | EdgesTimed | Judged):  # which change nothing for orders
            self.orders.on_change()
        if isinstance(event, ButtonPressed):
            self.work.later(self.orders.consent_by_button)
        self._tell()

    # --- inside

    def _compare_books(self, report: Report) -> None:
        if self._coming is not None and report.book == self._coming.mark:
            self._work_with(self._coming)
            self._coming = None
        elif report.book not in (0, self.book.mark):  # 0: it does not say
            log.warning("books_differ")

    def _tell(self) -> None:
        if not self._listeners:
            return
        status = self.status()
        for listener in tuple(self._listeners):
            if status.operation is not None:
                listener(status.operation)
            listener(status)

    def _wetting(self, kind: OperationKind, lines: Sequence[int]) -> tuple[PlannedRun, ...]:
        """The runs that prime, purge, clean or rinse these lines, as many together as the machine allows."""
        liquids = {line: DRAWS.get(kind, liquid) for line, liquid in self._operation_start.liquids(lines).items()}
        return self.work(wetting_runs, self._profile, self._mirror.calibrations(), kind, liquids)
