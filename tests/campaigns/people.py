"""The people around the machine: they order, confirm, put glasses down, and see to faults, not always in time."""

from contextlib import suppress
from typing import cast

from controller.bench.fluids import CLEANER, RINSE_WATER
from controller.engine.engine import Engine
from controller.engine.line_care import Kind
from controller.errors import Refused
from controller.model.messages import Waiting
from controller.model.requests import (
    AcknowledgeRequest,
    AssignRequest,
    JogRequest,
    LineRequest,
    PourRequest,
    TrialRequest,
)
from controller.model.states import MachineState, OperationKind
from controller.model.views import Asked, Status
from tests.campaigns.house import House
from tests.campaigns.plot import Order

JAR_ML = 2000.0
FULL_ML = 3000.0
EXCHANGE_S = (1.1, 2.0)  # to take a glass and set another down
LEFT_S = (1.5, 4.0)  # until the next drink is asked for into a glass that is left where it is
SEEN_S = (0.1, 1.0)  # until the drink is asked for: the guard sees the glass after 0.25 s at most
PATIENCE_S = (0.15, 1.0)  # between two looks at the machine
DRAWN = {OperationKind.CLEAN: CLEANER, OperationKind.RINSE: RINSE_WATER}


class Person:
    """One person who wants `orders` done, one after the other."""

    def __init__(self, house: House, orders: tuple[Order, ...]) -> None:
        self._house, self._orders = house, list(orders)
        self.is_helpful = False  # from `help_out` on
        self._is_busy = False  # with glasses
        self._last_key: tuple[str, PourRequest] | None = None
        house.later(0.4, self._look)

    def help_out(self) -> None:
        """Order nothing more, and leave nothing undone that the machine waits for."""
        self._orders.clear()
        self.is_helpful = True

    @property
    def is_content(self) -> bool:
        """Whether nothing is left to order."""
        return not self._orders

    def _look(self) -> None:
        house = self._house
        house.later(house.draw.uniform(*PATIENCE_S), self._look)
        engine = house.engine
        if engine is None:
            return
        status = engine.status()
        if (cause := status.fault) is not None:
            if self._feels_like(0.5):
                house.engine_process.ask(lambda engine: engine.acknowledge(AcknowledgeRequest(cause=cause)))
            return
        operation = status.operation
        if operation is not None and operation.outcome is None and operation.waiting is not None:
            self._help(operation.operation, operation.waiting)
        elif status.state == MachineState.IDLE and self._orders and not _is_under_way(status) and not self._is_busy:
            self._get_ready(self._orders[0])

    def _feels_like(self, chance: float) -> bool:
        return self.is_helpful or self._house.draw.random() < chance

    def _help(self, operation: str, waiting: Waiting) -> None:
        if not self._feels_like(0.6):
            return
        if waiting.kind == "glass":
            self.put_glass_back()
        elif waiting.line is not None:
            self.hang(waiting.line, None)
        else:
            self._house.engine_process.ask(lambda engine: engine.confirm(operation))

    # --- orders

    def _get_ready(self, order: Order) -> None:
        """The vessel and the containers as the order wants them, then the order; a lazy person leaves the glass."""
        house = self._house
        self._is_busy, stands = True, house.plant.report().glass is not None
        if stands and order.kind is OperationKind.SERVE and house.draw.random() < house.plot.lazy:
            house.tell("the glass is left where it is")
            house.later(house.draw.uniform(*LEFT_S), lambda: self._fetch_and_order(order, is_lazy=True))
            return
        with suppress(Refused):  # none was there
            house.plant.lift_glass()
        house.later(house.draw.uniform(*EXCHANGE_S), lambda: self._set_down_and_order(order))

    def _set_down_and_order(self, order: Order) -> None:
        self._place_vessel(order)
        self._house.later(self._house.draw.uniform(*SEEN_S), lambda: self._fetch_and_order(order, is_lazy=False))

    def _fetch_and_order(self, order: Order, *, is_lazy: bool) -> None:
        self._is_busy = False
        if not self._orders or self._orders[0] is not order:
            return  # somebody has asked for it meanwhile
        self._hang_all(order)
        self._order(is_lazy=is_lazy)

    def _hang_all(self, order: Order) -> None:
        for line in sorted(self._house.odd - set(order.lines)):
            self.hang(line, None)
        for line in order.lines:
            self._hang_for(order.kind, line)

    def _order(self, *, is_lazy: bool = False) -> None:
        order, house = self._orders.pop(0), self._house
        answer = house.engine_process.ask(lambda engine: self._ask(engine, order, empty_glass=not is_lazy))
        house.tell(f"ordered {order.kind} {order.recipe}{order.lines or ''}: {answer}")

    def _ask(self, engine: Engine, order: Order, *, empty_glass: bool) -> Asked:
        match order.kind:
            case OperationKind.SERVE:
                request = PourRequest(
                    recipe=order.recipe, times=order.amount, key=f"key {len(self._orders)}", empty_glass=empty_glass
                )
                self._last_key = (order.recipe, request)
                return engine.pour(request)
            case OperationKind.TRIAL:
                return engine.trial(TrialRequest(lines=order.lines, on_s=order.amount, jug=True))
            case OperationKind.JOG:
                return engine.jog(JogRequest(line=order.lines[0], on_s=order.amount))
        return engine.run_lines(LineRequest(kind=cast(Kind, str(order.kind)), lines=order.lines, jug=True))

    def order_again(self) -> None:
        """The same request with the same key once more, as a browser does that got no answer."""
        if self._last_key is not None:
            request = self._last_key[1]
            self._house.engine_process.ask(lambda engine: engine.pour(request))

    def order_meanwhile(self) -> None:
        """Another order without looking whether the machine is free."""
        if self._orders and self._house.engine is not None:
            self._order(is_lazy=True)

    # --- hands

    def _place_vessel(self, order: Order) -> None:
        """A fresh glass for a serving, a jug for all else."""
        plant = self._house.plant
        with suppress(Refused):  # none was there
            plant.lift_glass()
        if order.kind is OperationKind.SERVE:
            plant.place_glass(self._house.plot.book.recipe(order.recipe).glass)
        else:
            plant.place_glass(brim_ml=JAR_ML)

    def lift_glass(self) -> None:
        """Take the glass away."""
        try:
            self._house.plant.lift_glass()
        except Refused:
            return
        self._house.tell("glass lifted")

    def put_glass_back(self) -> None:
        """Put it back; when nothing is being poured, an empty one, as anybody would."""
        try:
            if self._house.watch.licence is None:
                self._house.plant.empty_glass()
            self._house.plant.place_glass()
        except Refused:
            return
        self._house.tell("glass put back")

    def _hang_for(self, kind: OperationKind, line: int) -> None:
        """What such an operation is to draw: cleaner, water, air, or the line's own container."""
        if kind in DRAWN:
            self.hang(line, DRAWN[kind])
        elif kind is OperationKind.PURGE:
            before_ml = self._house.plant.container_ml(line)
            self._house.plant.unhang(line)
            self._house.odd.add(line)
            self._house.watch.amounts.hung(line, before_ml, 0.0)
        else:
            self.hang(line, None)

    def hang(self, line: int, liquid: str | None) -> None:
        """Hang a full container; None: of the liquid that the line is known to carry."""
        house = self._house
        name = liquid or house.assigned[line]
        if name is None:
            return
        before_ml = house.plant.container_ml(line)
        house.plant.hang(line, name, FULL_ML)
        house.odd.discard(line)
        if name != house.assigned[line]:
            house.odd.add(line)
            house.bottles.untold.add(line)
        house.watch.amounts.hung(line, before_ml, FULL_ML)

    def change_liquid(self, line: int) -> None:
        """Hang another liquid on a line and say so, as far as the machine is at rest."""
        house = self._house
        engine = house.engine
        if engine is None or house.watch.licence is not None:
            return
        status = engine.status()
        if status.state != MachineState.IDLE or _is_under_way(status):
            return
        name = house.draw.choice(house.plot.book.liquids).liquid
        house.tell(f"line {line} now carries {name}")
        self.hang(line, name)
        house.engine_process.ask(
            lambda engine: engine.assign(AssignRequest(line=line, liquid=name, container_ml=FULL_ML))
        )

    def edit_book(self, edit: str) -> None:
        """Write other figures into the book, and have it read anew as far as the machine is free for it."""
        house = self._house
        house.edit_book(edit)
        house.engine_process.ask(lambda engine: engine.renew_book(house.book))

    def stop(self) -> None:
        """Ask for a stop."""
        self._house.tell("stop asked for")
        self._house.engine_process.ask(lambda engine: engine.stop())


def _is_under_way(status: Status) -> bool:
    operation = status.operation
    return operation is not None and operation.outcome is None and not operation.refused
