"""What hangs on the lines: containers with what is left in them, and what people say about it."""

from msgspec.structs import replace

from controller.engine.common import Common
from controller.engine.names import as_listed
from controller.engine.stock_uncertainty import sure_ml, u_fill_ml
from controller.errors import Refused
from controller.ledger.records import LineNote, NoteEvent
from controller.ledger.store import Container
from controller.metering.gravimetry import liquid_volume_ml
from controller.model.evening import EmptyRequest, RefillRequest, StockChange, StockView, StockWeighingRequest
from controller.model.fields import like
from controller.model.messages import Assign, Hung
from controller.model.remark import Remark
from controller.model.requests import AssignRequest
from controller.model.states import AT_REST

# When the guard takes another container on record; one hung meanwhile is reported to it as soon as it does.
SAME_S = 5.0  # two clocks readings this close (s) mean the same opening
OVERFULL = 1.1  # of its nominal volume a container may hold


class Stock:
    """Containers of all lines. What is hung while pumps run is reported to the guard when they rest."""

    def __init__(self, common: Common) -> None:
        self._book, self._strict = common.book, common.strict
        self._ledger, self._clock, self._mirror = common.ledger, common.clock, common.mirror
        self._unknown: set[int] = set()  # lines of whose container the guard does not know
        self._asked: set[int] = set()  # those reported to it that it has not confirmed yet
        known = self.containers()
        self._unknown = {line for line, one in known.items() if not one.is_known}
        # Where nobody has said anything yet, what the book says hangs there, once the guard knows the same.
        self._unsaid = {one.line: one for one in self._book.lines if one.line not in known}

    def containers(self) -> dict[int, Container]:
        """Line -> what hangs there."""
        return self._ledger.containers()

    def known_to_guard(self) -> tuple[Hung, ...]:
        """What hangs where, as far as the guard has answered that it knows of it."""
        known = (one for one in self.containers().values() if one.line not in self._unknown)
        return tuple(Hung(line=one.line, liquid=one.liquid) for one in known)

    def disputed(self) -> dict[int, tuple[Remark, ...]]:
        """Line -> what the guard believes and the stock does not, where a person has to say what hangs there."""
        found: dict[int, tuple[Remark, ...]] = {}
        for line, container in self.containers().items():
            known = self._mirror.lines().get(line)
            if known is not None and known.liquid != container.liquid and line not in self._unknown:
                by_guard = "knows of nothing there" if known.liquid is None else f"has {known.liquid} there"
                text = (
                    f"line {line}: {container.liquid} by the stock, the guard {by_guard}: look, then tundish stock "
                    f"confirm {line}, or tundish assign {line} LIQUID CONTAINER"
                )
                found[line] = (Remark(code="disputed", text=text, values={"liquid": container.liquid}),)
        return found

    def confirm(self, line: int) -> None:
        """Somebody has looked: what the stock has on this line hangs there. Refused when nobody asks."""
        container = self._require(line)
        if line not in self.disputed():
            raise Refused(
                rule="stock",
                reason=f"guard and stock agree on line {line}: {container.liquid}.",
                remedy="When another container hangs there: tundish stock refill, or tundish assign.",
            )
        self._ledger.stock.mark_known(line, is_known=False)
        self._unknown.add(line)
        self._asked.discard(line)
        self.sync()

    def views(self) -> tuple[StockView, ...]:
        """Every container, by line."""
        return tuple(map(self._view, self.containers().values()))

    def view(self, line: int) -> StockView:
        """The container on this line; Refused when none hangs there."""
        return self._view(self._require(line))

    def assign(self, request: AssignRequest) -> None:
        """A full container with this liquid now hangs on this line."""
        report = self._mirror.require_guard()
        liquids = (one.liquid for one in self._book.liquids)
        request = replace(request, liquid=as_listed("liquid", request.liquid, liquids, rule="assignment"))
        known_line = self._mirror.lines().get(request.line)
        if report.state not in AT_REST and (known_line is None or known_line.liquid != request.liquid):
            raise Refused(
                rule="state",
                reason=f"the machine is {report.state}: another liquid can be hung only while it rests.",
                remedy="Wait for the end of what is under way, or: tundish stop",
            )
        self._hang(request)
        self.sync()

    def refill(self, request: RefillRequest) -> StockChange:
        """A fresh container of the same liquid hangs on this line, of the same size unless another is given."""
        before = self._require(request.line)
        is_full = sure_ml(before) > 0 if request.tube_full is None else request.tube_full
        if not is_full and not self._mirror.is_under_way():
            self._mirror.ran_dry(request.line, tube_full=False)
        size_ml = before.container_ml if request.container_ml is None else request.container_ml
        asked = AssignRequest(
            line=request.line, liquid=before.liquid, container_ml=size_ml, opened_ago_s=request.opened_ago_s
        )
        self._hang(asked)
        self.sync()
        return StockChange(now=self.view(request.line), booked_ml=before.remaining_ml)

    def weigh(self, request: StockWeighingRequest) -> StockChange:
        """The container on this line weighs so much; what it weighs empty is kept for the next time."""
        before = self._require(request.line)
        tare_g = request.tare_g if request.tare_g is not None else before.tare_g
        if tare_g is None:
            raise Refused(
                rule="weighing",
                reason=f"what the empty container on line {request.line} weighs is not known.",
                remedy="Weigh an empty one of the same kind and add --tare GRAMS; it is kept from then on.",
            )
        liquid = self._book.liquid(before.liquid)
        u_grams = request.u_grams * 2**0.5  # two weighings: full and empty
        measured = liquid_volume_ml(max(0.0, request.grams - tare_g), liquid, u_mass_g=u_grams)
        if request.grams < tare_g - 3 * u_grams or measured.volume_ml > OVERFULL * before.container_ml:
            raise Refused(
                rule="weighing",
                reason=f"{request.grams:g} g less {tare_g:g} g for the container would be {measured.volume_ml:.0f} mL "
                f"of {before.liquid}; a container of {before.container_ml:g} mL hangs on line {request.line}.",
                remedy="Check both weights, or say that another container hangs there: tundish stock refill",
            )
        text = f"weighed: {measured.volume_ml:.0f} mL left, {before.remaining_ml:.0f} mL by the books"
        note = self._note(request.line, "stock", text)
        self._ledger.stock.correct(request.line, measured.volume_ml, measured.u_volume_ml, request.tare_g, note)
        return StockChange(now=self.view(request.line), booked_ml=before.remaining_ml)

    def empty(self, request: EmptyRequest) -> StockChange:
        """The container on this line is empty now, whatever the books say; a pour from it is held."""
        line = request.line
        before = self._require(line)
        self._mirror.ran_dry(line, tube_full=request.tube_full)
        note = self._note(line, "stock", f"empty; {before.remaining_ml:.0f} mL by the books")
        self._ledger.stock.correct(line, 0.0, 0.0, None, note)
        return StockChange(now=self.view(line), booked_ml=before.remaining_ml)

    def changed_meanwhile(self, line: int, *, since_wall_s: float) -> None:
        """A container that ran low during an operation was changed for another of its kind.

        Nothing is done when the change was already said, after since_wall_s.
        """
        before = self._require(line)
        if before.hung_wall_s < since_wall_s:
            asked = AssignRequest(line=line, liquid=before.liquid, container_ml=before.container_ml)
            self._hang(asked)

    def sync(self) -> None:
        """Report containers hung meanwhile to the guard, once it is at rest; note those that it knows of."""
        report, lines = self._mirror.report, self._mirror.lines()
        self._hang_what_the_book_says()
        if not self._unknown:
            return
        if report is None or report.state not in AT_REST:
            self._asked.clear()
            return
        for line, container in self.containers().items():
            if line not in self._unknown:
                continue
            known = lines.get(line)
            opened_s = None if known is None else known.opened_wall_s
            if (
                known is not None
                and known.liquid == container.liquid
                and opened_s is not None
                and abs(opened_s - container.opened_wall_s) <= SAME_S
            ):
                self._ledger.stock.mark_known(line)
                self._unknown.discard(line)
            elif line not in self._asked:
                self._asked.add(line)
                ago_s = max(0.0, self._clock.wall_s() - container.opened_wall_s)
                self._mirror.ask(Assign(line=line, liquid=container.liquid, opened_ago_s=ago_s), "assign")

    def _require(self, line: int) -> Container:
        found = self.containers().get(line)
        if found is None:
            raise Refused(
                rule="stock",
                reason=f"nothing hangs on line {line}, as far as anybody has said.",
                remedy=f"Say what does: tundish assign {line} LIQUID CONTAINER",
            )
        return found

    def _hang(self, request: AssignRequest, *, is_known: bool = False) -> None:
        now_s = self._clock.wall_s()
        opened = f", opened {request.opened_ago_s / 3600:.0f} h ago" if request.opened_ago_s > 0 else ""
        before = self.containers().get(request.line)
        is_alike = before is not None and (before.liquid, before.container_ml) == (request.liquid, request.container_ml)
        self._ledger.stock.hang(
            like(
                Container,
                request,
                remaining_ml=request.container_ml + self._drawn_ml(request),
                opened_wall_s=now_s - request.opened_ago_s,
                hung_wall_s=now_s,
                is_known=is_known,
                u_fill_ml=request.container_ml if is_known and self._ledger.doubts else u_fill_ml(request.container_ml),
                tare_g=before.tare_g if before is not None and is_alike else None,
            ),
            self._note(request.line, "container", f"{request.container_ml:g} mL of {request.liquid} hung{opened}"),
        )
        self._unsaid.pop(request.line, None)
        self._asked.discard(request.line)
        if not is_known:
            self._unknown.add(request.line)

    def _drawn_ml(self, request: AssignRequest) -> float:
        """What the operation under way has taken from this line already: at its end that is booked with the rest.

        It came from the container before, so the new one is credited with it.
        """
        current = self._mirror.current
        if current is None or not self._mirror.is_under_way():
            return 0.0
        drawn = {(run.line, run.liquid) for segment in current.asked.segments for run in segment.runs}
        drawn |= {(one.line, one.liquid) for each in current.wanted for one in each}
        is_alike = (request.line, request.liquid) in drawn
        return current.delivered_ml(self._clock.now_s()).get(request.line, 0.0) if is_alike else 0.0

    def _hang_what_the_book_says(self) -> None:
        """On lines of which the ledger knows nothing, where the guard agrees: what it knows is newer than the book."""
        for line, report in self._mirror.lines().items() if self._unsaid else ():
            one = self._unsaid.get(line)
            if one is not None and report.liquid == one.liquid:
                self._hang(AssignRequest(line=line, liquid=one.liquid, container_ml=one.container_ml), is_known=True)

    def _note(self, line: int, event: NoteEvent, text: str) -> LineNote:
        return LineNote(wall_s=self._clock.wall_s(), line=line, event=event, text=text)

    def _view(self, one: Container) -> StockView:
        life_s = next((liquid.opened_life_s for liquid in self._strict.liquids if liquid.liquid == one.liquid), None)
        return like(
            StockView,
            one,
            sure_ml=sure_ml(one),
            keeps_until_wall_s=None if life_s is None else one.opened_wall_s + life_s,
            is_known_to_guard=one.is_known and one.line not in self.disputed(),
        )
