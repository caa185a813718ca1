"""What makes each contact leave its rest: the machine itself, or somebody's hand."""

from collections.abc import Callable

from controller.bench.simulation import Simulation
from controller.bench.vessels import total_ml
from controller.model.profile import CURRENT_SWITCH_A
from controller.model.wiring import InputRow

FUNNEL_FULL = 0.8  # of its capacity, where its contact sits


def _level(simulation: Simulation, row: InputRow, now_s: float) -> bool:
    line = simulation.lines[row.line or 0]
    return line.remaining_ml(now_s) < line.truth.low_ml


def _current(simulation: Simulation, _: InputRow, now_s: float) -> bool:
    return simulation.electrics_at(now_s)[0] > CURRENT_SWITCH_A


def _glass(simulation: Simulation, _: InputRow, now_s: float) -> bool:
    return simulation.vessels.glass is not None


def _tray(simulation: Simulation, _: InputRow, now_s: float) -> bool:
    return simulation.tray_is_full(now_s)


def _funnel(simulation: Simulation, _: InputRow, now_s: float) -> bool:
    return total_ml(simulation.vessels_at(now_s).funnel) >= FUNNEL_FULL * simulation.truth.funnel.capacity_ml


BY_ITSELF: dict[str, Callable[[Simulation, InputRow, float], bool]] = {
    "level": _level,
    "current": _current,
    "glass": _glass,
    "drip tray": _tray,
    "funnel full": _funnel,
}  # kind of input -> whether the machine's own state makes it active; all others are for people's hands only
