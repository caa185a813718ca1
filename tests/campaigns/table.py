"""What people do around a hostile engine, who keep their word, and what the bench says came of it."""

from collections.abc import Iterable, Sequence

from controller.bench.fluids import CLEANER, RINSE_WATER
from controller.bench.plant import Plant
from controller.clock import Clock
from controller.model.book import Book
from controller.model.plan import Operation
from controller.model.profile import Profile
from controller.model.states import OperationKind
from controller.safety.vessel import counts
from tests.campaigns.violation import Violation

ETHANOL_G_ML = 0.78924  # OIML R 22: density of pure ethanol at 20 C
HOUR_S = 3600.0
TINY = 1e-6
FILM_ML = 0.02  # of cleaner in a glass: a tenth of what stays on the bench's funnel
ROOMY_ML = 5000.0  # the bench's vessel takes all; whether it was too much is judged here
K = OperationKind
Volumes = dict[str, float]


class Table:
    """Glass or jug under the outlet, containers on the lines, and accounts of what really left the outlets."""

    def __init__(self, profile: Profile, book: Book, plant: Plant, clock: Clock) -> None:
        self._caps, self._plant, self._clock = profile.caps, plant, clock
        self._brims = {one.glass: one.brim_ml for one in book.glasses}
        self._abv = {one.liquid: one.abv_percent / 100 for one in book.liquids}
        self._liquids = {on.line: on.liquid for on in book.lines}
        self.jug_ml: float | None = None  # what the jug takes that stands there; None: a glass stands there
        self._was_served = False
        self.last_served: str | None = None
        self._brim_ml = min(self._brims.values())  # of the glass, as far as anybody has said which it is
        self._at_placing = self._at_asking = self._left()
        self._hour: list[tuple[float, float]] = []
        plant.place_glass(brim_ml=ROOMY_ML)

    # --- what people do

    def hang(self, kind: OperationKind, lines: Sequence[int], *, in_air: bool) -> None:
        """Hang what the operation is named after."""
        for line in lines:
            if kind is K.PURGE and in_air:
                self._plant.unhang(line)
            else:
                self._plant.hang(
                    line, {K.CLEAN: CLEANER, K.RINSE: RINSE_WATER}.get(kind, self._liquids[line]), ROOMY_ML
                )

    def wants_change(self, kind: OperationKind, jug_ml: float | None) -> bool:
        """Whether something else must stand there: a jug that is named, or a glass that is no guest's yet."""
        return jug_ml is not None or self.jug_ml is not None or (kind is K.SERVE and self._was_served)

    def take_away(self) -> None:
        """Take away what stands there."""
        self._plant.lift_glass()

    def put_there(self, jug_ml: float | None) -> None:
        """Put an empty jug or a fresh glass there."""
        self._plant.place_glass(brim_ml=ROOMY_ML)
        self.jug_ml, self._was_served, self._at_placing = jug_ml, False, self._left()
        self._brim_ml = min(self._brims.values())

    def asked(self) -> None:
        """An operation is about to be asked for."""
        self._at_asking = self._left()

    # --- what the bench says

    def look(self) -> None:
        """At every step: the flow into the funnel."""
        flow_ml_s = sum(one.flow_ml_s for one in self._plant.report().lines if one.contact_closed)
        if flow_ml_s > self._caps.flow_ml_s * (1 + TINY):
            raise Violation(f"{flow_ml_s:.2f} mL/s into the funnel, the cap is {self._caps.flow_ml_s:.2f} mL/s")

    def judge(self, operation: Operation) -> None:
        """An operation is over, and its pumps are at rest."""
        left = self._left()
        new, here = _since(left, self._at_asking), _since(left, self._at_placing)
        if counts(operation):
            self._judge_glass(operation, _together(new.values()), _together(here.values()))
            return
        for line, volumes in new.items():
            _hold(operation, sum(volumes.values()), self._caps.line_volume_ml, f"mL from line {line}")
        if self.jug_ml is not None:
            _hold(operation, sum(_together(here.values()).values()), self.jug_ml, "mL in the jug")

    def _judge_glass(self, operation: Operation, new: Volumes, here: Volumes) -> None:
        caps, now_s = self._caps, self._clock.now_s()
        if operation.kind is K.SERVE:
            self._was_served, self.last_served = True, operation.operation
            self._brim_ml = self._brims[operation.glass or ""]
        self._hour = [(at_s, grams) for at_s, grams in self._hour if now_s - at_s < HOUR_S]
        self._hour.append((now_s, self._grams(new)))
        _hold(operation, sum(here.values()), caps.serving_volume_ml, "mL in the glass, by its cap")
        _hold(operation, sum(here.values()), self._brim_ml, "mL in the glass, by its brim")
        _hold(operation, self._grams(here), caps.serving_ethanol_g, "g of ethanol in the glass")
        _hold(operation, sum(grams for _, grams in self._hour), caps.hour_ethanol_g, "g of ethanol within an hour")
        _hold(operation, self._plant.glass_contents_ml().get(CLEANER, 0.0), FILM_ML, "mL of cleaner in the glass")

    def _grams(self, volumes: Volumes) -> float:
        return sum(ml * self._abv.get(name, 0.0) * ETHANOL_G_ML for name, ml in volumes.items())

    def _left(self) -> dict[int, Volumes]:
        return {one.line: dict(one.left_outlet_ml) for one in self._plant.remember().lines}


def _hold(operation: Operation, value: float, limit: float, what: str) -> None:
    if value > limit * (1 + TINY):
        raise Violation(f"{value:.2f} {what} after {operation.kind} {operation.operation}, allowed are {limit:.2f}")


def _since(now: dict[int, Volumes], before: dict[int, Volumes]) -> dict[int, Volumes]:
    return {line: {name: ml - before[line].get(name, 0.0) for name, ml in had.items()} for line, had in now.items()}


def _together(many: Iterable[Volumes]) -> Volumes:
    total: Volumes = {}
    for volumes in many:
        for name, ml in volumes.items():
            total[name] = total.get(name, 0.0) + ml
    return total
