"""How long the machine and the people at it take for each drink, from the planner that pours them."""

from collections.abc import Iterator, Mapping

from controller.metering.density import ethanol_g
from controller.metering.suction import check_suction
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.doses import resolve
from controller.model.event import GuestEvent
from controller.model.fields import Value
from controller.model.plan import PlannedRun, Segment
from controller.model.profile import Profile
from controller.model.sums import summed
from controller.sequencing.plan import plan_serving
from controller.sequencing.twins import on_lines


class Service(Value, frozen=True, kw_only=True):
    """One drink of the menu. cycle_s: how long it keeps the machine from the next guest, people included."""

    recipe: str
    share: float  # of all drinks
    doses_ml: dict[str, float]
    ethanol_g: float
    hand_steps: int
    pumps_s: float
    cycle_s: float
    on_s: dict[int, float]  # line -> pump time
    highest_a: float  # of the pumps together, inrush included
    running_a: float  # the same, once started


def nominal_calibrations(profile: Profile, book: Book, lines: Mapping[str, tuple[int, ...]]) -> dict[int, Calibration]:
    """Line -> a calibration from the data sheet: nominal flow less what suction costs, no lag, no sag.

    lines: liquid -> its lines. For planning ahead only: no drink is poured by it.
    """
    found = {}
    for liquid, number in ((liquid, line) for liquid, each in lines.items() for line in each):
        line = profile.line(number)
        fraction = check_suction(line, book.liquid(liquid)).flow_fraction
        found[number] = Calibration(
            line=number,
            liquid=liquid,
            flow_ml_s=line.pump.nominal_flow_ml_s * max(fraction, 1e-3),
            lag_s=0.0,
            u_flow_ml_s=0.0,
            u_lag_s=0.0,
            cov_flow_lag=0.0,
            note="data sheet",
        )
    return found


def services(
    event: GuestEvent,
    profile: Profile,
    book: Book,
    *,
    lines: Mapping[str, tuple[int, ...]],
    shares: Mapping[str, float],
    calibrations: Mapping[int, Calibration],
) -> dict[str, Service]:
    """Recipe -> its service, for the recipes in `shares`; lines: liquid -> the lines that share its doses.

    Raises Refused when one cannot be planned at all.
    """
    return {
        recipe: _service(event, profile, book, recipe, share, lines=lines, calibrations=calibrations)
        for recipe, share in shares.items()
    }


def _service(
    event: GuestEvent,
    profile: Profile,
    book: Book,
    recipe: str,
    share: float,
    *,
    lines: Mapping[str, tuple[int, ...]],
    calibrations: Mapping[int, Calibration],
) -> Service:
    phases = resolve(book.recipe(recipe), book)
    plan = plan_serving(profile, calibrations, on_lines(lines), phases)
    doses_ml = summed(dose for phase in phases for dose in phase.doses)
    on_s = summed((run.line, run.duration_s) for segment in plan.segments for run in segment.runs)
    hands = event.handling
    hand_steps = sum(segment.hand is not None for segment in plan.segments)
    # The pause that the caps demand between two servings runs while the glasses are changed.
    between_s = max(profile.caps.serving_pause_s, hands.take_s + hands.order_s)
    return Service(
        recipe=recipe,
        share=share,
        doses_ml=doses_ml,
        ethanol_g=sum(ethanol_g(volume_ml, book.liquid(one).abv_percent) for one, volume_ml in doses_ml.items()),
        hand_steps=hand_steps,
        pumps_s=plan.makespan_s,
        cycle_s=plan.makespan_s + hand_steps * hands.hand_step_s + between_s,
        on_s=on_s,
        highest_a=max(_currents(profile, plan.segments, with_inrush=True), default=0.0),
        running_a=max(_currents(profile, plan.segments, with_inrush=False), default=0.0),
    )


def _currents(profile: Profile, segments: tuple[Segment, ...], *, with_inrush: bool) -> Iterator[float]:
    """The pumps' current at each start: only there can it reach its highest value."""
    for segment in segments:
        for first in segment.runs:
            yield sum(_current_a(profile, run, first.start_s, with_inrush=with_inrush) for run in segment.runs)


def _current_a(profile: Profile, run: PlannedRun, at_s: float, *, with_inrush: bool) -> float:
    pump = profile.line(run.line).pump
    if not run.start_s <= at_s < run.start_s + run.duration_s:
        return 0.0
    return max(pump.inrush_a, pump.run_a) if with_inrush and at_s < run.start_s + pump.inrush_s else pump.run_a
