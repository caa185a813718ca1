"""One guest's turn at a rehearsed machine: glass, order, pour, hand steps, taking the glass; and what goes wrong."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from controller.catering.arrivals import DrinkRequest
from controller.catering.service import Service
from controller.errors import FaultLatched, Refused
from controller.metering.dose import mi008_ml
from controller.model.book import Book
from controller.model.requests import PourRequest
from controller.model.states import Outcome
from controller.model.views import OperationView
from controller.rehearsal.evening_host import Attendant
from controller.rehearsal.evening_record import PouredDose, RefusedDrink, Served, UnservedDrink

# Refusals that time cures: after how long a person tries again, s.
RETRY_S = {
    "glass": 0.5,  # set down this instant
    "serving_pause": 2.0,
    "state": 2.0,
    "duty": 15.0,
    "hour_servings": 30.0,
    "hour_ethanol": 30.0,
}
EXCHANGE_S = 1.5  # from taking a glass to setting the next one down, at least
MOST_TRIES = 1000  # of one drink: more than an hour's cap can take
MOST_GLASSES = 3  # poured for one drink before the guest is turned away
VISIBLY_OFF = 0.2  # a dose that misses by this share of itself, and by more than its tolerance, is seen in the glass


@dataclass
class GuestTurns:
    """Serves one order after the other and keeps the record."""

    host: Attendant
    book: Book
    services: Mapping[str, Service]
    served: list[Served] = field(default_factory=list)
    lost: list[UnservedDrink] = field(default_factory=list)
    refusals: list[RefusedDrink] = field(default_factory=list)
    wasted_ml: dict[str, float] = field(default_factory=dict)  # in glasses that were poured away

    def serve(self, order: DrinkRequest) -> None:
        """Serve one order, or note why it could not be."""
        host, turn_s, refused_before = self.host, self.host.now_s, len(self.refusals)
        host.look()
        for glasses in range(MOST_GLASSES):
            reason = self._make_ready(order.recipe)
            view = None if reason else self._pour(order.recipe)
            if view is None:
                reason = reason or self.refusals[-1].reason
                break
            ended_s = host.now_s
            host.pass_time(host.event.handling.take_s)
            doses = self._take_glass(view)
            if view.outcome == Outcome.DONE and not any(map(_is_visibly_off, doses)):
                self.served.append(
                    Served(
                        recipe=order.recipe,
                        came_s=order.at_s,
                        turn_s=turn_s,
                        ended_s=ended_s,
                        left_s=host.now_s,
                        refused=len(self.refusals) - refused_before,
                        made_again=glasses,
                        doses=doses,
                    )
                )
                return
            self._pour_away(view, doses)
            reason = f"{MOST_GLASSES} glasses of it went wrong"
        self.lost.append(
            UnservedDrink(
                recipe=order.recipe, came_s=order.at_s, turn_s=turn_s, gave_up_s=host.now_s, reason=reason or ""
            )
        )

    def _make_ready(self, recipe: str) -> str | None:
        """Change the containers that are short; why the drink cannot be made, if it cannot."""
        for liquid, volume_ml in self.services[recipe].doses_ml.items():
            why = self.host.shortage(liquid, volume_ml)
            if why is not None:
                if not self.host.has_another(liquid):
                    return f"{liquid} is sold out"
                self.host.change(liquid, why)
        return None

    def _pour(self, recipe: str) -> OperationView | None:
        """The operation that was poured, well or not; None when the machine refuses for good."""
        host = self.host
        host.pass_time(EXCHANGE_S)
        host.machine.plant.place_glass(self.book.recipe(recipe).glass)
        host.pass_time(max(RETRY_S["glass"], host.event.handling.order_s - EXCHANGE_S))
        was_repaired = False
        for _ in range(MOST_TRIES):
            view, refused = self._ask(recipe)
            if view is not None:
                return view
            wait_s = _cured_after_s(refused)
            if wait_s is not None and not host.is_latched:
                host.pass_time(wait_s)
            elif any(one.rule == "drip_tray" for one in refused) and not host.is_troubled():
                host.empty_tray()
            elif any(one.rule == "fresh_glass" for one in refused) and not host.is_latched:
                self._set_down_another(recipe)
            elif host.is_troubled() and not was_repaired:
                host.repair(f"refused by {refused[0].rule}")
                was_repaired = True
            else:
                break
        host.machine.plant.lift_glass()
        return None

    def _set_down_another(self, recipe: str) -> None:
        """What stands there may have caught something while a fault was seen to."""
        plant = self.host.machine.plant
        plant.lift_glass()
        self.host.pass_time(EXCHANGE_S)
        plant.place_glass(self.book.recipe(recipe).glass)
        self.host.pass_time(RETRY_S["glass"])

    def _ask(self, recipe: str) -> tuple[OperationView | None, Sequence[RefusedDrink]]:
        """Ask once: the operation when it is over, or the refusals."""
        host = self.host
        try:
            view = host.follow(host.machine.engine.pour(PourRequest(recipe=recipe)).operation)
            found = [(one.rule, one.reason) for one in view.refused]
        except Refused as error:
            view, found = None, [(error.rule, error.reason)]
        except FaultLatched as error:
            view, found = None, [("fault", str(error))]
        refused = [RefusedDrink(at_s=host.now_s, recipe=recipe, rule=rule, reason=reason) for rule, reason in found]
        self.refusals += refused
        return None if refused else view, refused

    def _take_glass(self, view: OperationView) -> tuple[PouredDose, ...]:
        held = self.host.machine.plant.lift_glass()
        return tuple(
            PouredDose(liquid=one.liquid, asked_ml=one.asked_ml, glass_ml=held.get(one.liquid, 0.0))
            for one in view.lines
        )

    def _pour_away(self, view: OperationView, doses: Sequence[PouredDose]) -> None:
        """The drink is spoilt: find out why before the next try."""
        for dose in doses:
            self.wasted_ml[dose.liquid] = self.wasted_ml.get(dose.liquid, 0.0) + dose.glass_ml
        off = [dose.liquid for dose in doses if _is_visibly_off(dose)]
        lines = {self.host.lines[liquid] for liquid in off}
        if self.host.is_troubled(lines):
            self.host.repair(f"{', '.join(off)} visibly off" if off else view.reason, lines)


def _cured_after_s(refused: Sequence[RefusedDrink]) -> float | None:
    """After how long it is worth trying again, s; None when time cures nothing."""
    waits_s = [RETRY_S.get(one.rule, -1.0) for one in refused]
    return None if min(waits_s) < 0 else max(waits_s)


def _is_visibly_off(dose: PouredDose) -> bool:
    return abs(dose.error_ml) > max(VISIBLY_OFF * dose.asked_ml, mi008_ml(dose.asked_ml))
