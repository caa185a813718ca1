"""What the bench tells of itself."""

from msgspec import field

from controller.bench.faults import InjectedFault
from controller.bench.line_state import BenchLine
from controller.bench.vessels import total_ml
from controller.model.fields import Value


class BenchLineView(Value, frozen=True, kw_only=True):
    """One line: what hangs on it, what stands in its tube (outlet first), and whether its pump runs."""

    line: int
    liquid: str | None
    remaining_ml: float
    tube: tuple[tuple[str, float], ...]
    relay_pulled_in: bool
    contact_closed: bool
    speed_fraction: float
    flow_ml_s: float
    left_outlet_ml: float


class BenchReport(Value, frozen=True, kw_only=True):
    """The whole bench at one instant."""

    at_s: float
    lines: tuple[BenchLineView, ...]
    glass: str | None
    glass_ml: dict[str, float]
    funnel_ml: dict[str, float]
    tray_ml: dict[str, float]
    scale_g: float
    contacts: dict[str, bool]  # closed
    pumps_a: float
    board_v: float
    lowest_board_v: float  # since the bench was switched on
    faults: tuple[InjectedFault, ...]
    is_fed: bool = True  # whether the main relay, if there is one, lets current through to the pumps
    outputs: dict[str, bool] = field(default_factory=dict)  # on; lamps and the like


class LineTruthReport(Value, frozen=True, kw_only=True):
    """What a perfect calibration of one line would find; for benchmarks only."""

    line: int
    liquid: str
    flow_ml_s: float  # alone
    lag_s: float
    sag_per_a: float  # fraction of the flow lost per ampere that other pumps draw
    scatter_fraction: float  # standard deviation from run to run
    ripple_ml: float  # half the swing of the delivered volume with the rotor's angle
    run_a: float  # alone


def line_view(line: BenchLine, now_s: float) -> BenchLineView:
    """One line at now_s, not before its motion's start."""
    twin = line.copy()
    twin.flow(now_s)
    pump, motion = line.truth.pump, line.motion.at(now_s)
    return BenchLineView(
        line=line.number,
        liquid=line.container.liquid if line.container else None,
        remaining_ml=twin.container.remaining_ml if twin.container else 0.0,
        tube=tuple(twin.tube.slugs),
        relay_pulled_in=line.relay.pulled_in,
        contact_closed=line.relay.closed,
        speed_fraction=motion.speed / pump.speed_rev_s,
        flow_ml_s=motion.speed * line.displacement_ml_rev * line.fill,
        left_outlet_ml=total_ml(twin.left_outlet),
    )
