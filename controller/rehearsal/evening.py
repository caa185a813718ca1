"""An event rehearsed from the first calibration to the last rinse: guard, engine and bench in virtual time.

People take the times that the event states, always the same. They stand in one queue, first come, first served; who
waits for a cap on an hour holds up those behind. On the day before, every line is primed, calibrated by weight from
containers that do not count, and cleaned; the event begins with the containers that preparing it says to buy.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from random import Random

import msgspec
from msgspec.structs import replace

from controller.catering.arrivals import DrinkRequest, draw_orders
from controller.catering.hanging import Hanging
from controller.catering.preparation import Preparation, hang, prepare
from controller.catering.shares import open_shares
from controller.engine.slices import at_once
from controller.model.book import Book, OnLine
from controller.model.event import GuestEvent
from controller.model.profile import Profile
from controller.model.requests import PastQuery
from controller.rehearsal.evening_faults import PlannedFault
from controller.rehearsal.evening_host import Attendant
from controller.rehearsal.evening_record import Evening, LineSum
from controller.rehearsal.evening_serving import GuestTurns
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import calibrate, learn_sag, prime_all, span_scale

# How often the guard reads the contacts under way. On the machine it reads them ten times as often; here that would
# only take longer, for no hand in a rehearsal is quicker than this.
POLL_UNDER_WAY_S = 0.2
READINGS_PER_S = 10  # of the scale, where there is one; more would only take longer, too
BEFORE_ML = 20_000.0  # in the containers for priming and calibrating
BY = "rehearsal"
TOGETHER, TOGETHER_S = 3, 8.0  # lines run together to learn the sag, and for how long
REPORT_EVERY = 10  # drinks
DAY_WALL_S = 1_789_171_200.0  # midnight (UTC) before the event, on records: 2026-09-12, a day like any other

Report = Callable[[str], None]


def rehearse(
    event: GuestEvent,
    profile: Profile,
    book: Book,
    *,
    seed: int,
    faults: Sequence[PlannedFault] = (),
    twins: bool = False,
    report: Report = lambda _text: None,
) -> Evening:
    """Rehearse an event. seed: of the machine's true figures and of the guests. twins: spare lines share the doses that
    take longest. report: gets the progress in words.

    Raises Refused when nothing of the menu can be poured or a line cannot be calibrated; Stuck when the machine does
    not come to rest.
    """
    if profile.scale is not None:
        profile = replace(profile, scale=replace(profile.scale, readings_per_s=READINGS_PER_S))
    hanging = hang(event, profile, book, twins=twins)
    prepared = prepare(event, profile, book, seed=seed, twins=twins)
    before = _book_before(event, book, hanging)
    machine = partial(VirtualMachine, profile, before, seed=seed, poll_under_way_s=POLL_UNDER_WAY_S)
    orders = draw_orders(event, open_shares(event, hanging), Random(f"{seed}/guests"))
    host = Attendant(event, hanging.all_lines, _stock(prepared), faults, machine)
    turns = GuestTurns(host, before, {one.recipe: one for one in prepared.services})
    try:
        day_before_s = _day_before(host, profile, report)
        return _hold(turns, orders, prepared, report, seed=seed, day_before_s=day_before_s)
    finally:
        host.machine.close()


def _hold(
    turns: GuestTurns,
    orders: Sequence[DrinkRequest],
    prepared: Preparation,
    report: Report,
    *,
    seed: int,
    day_before_s: float,
) -> Evening:
    """Serve everyone, then clean; the record of it all."""
    host = turns.host
    lines, last_s = _serve(turns, orders, report)
    cleaning_s = _clean(host, report)
    return Evening(
        seed=seed,
        opens=host.event.starts,
        lasts_s=host.event.lasts_s,
        orders=len(orders),
        prepared=prepared,
        served=tuple(turns.served),
        lost=tuple(turns.lost),
        refusals=tuple(turns.refusals),
        changes=tuple(host.changes),
        troubles=tuple(host.troubles),
        lines=lines,
        day_before_s=day_before_s,
        cleaning_s=cleaning_s,
        hygiene=at_once(host.machine.engine.hygiene.record(PastQuery(since_wall_s=DAY_WALL_S))),
        last_s=last_s,
    )


def _stock(prepared: Preparation) -> dict[str, tuple[float, ...]]:
    """Liquid -> the containers that are bought of it, mL, the largest first."""
    return {
        one.liquid: tuple(size.container_ml for size in one.containers for _ in range(size.count))
        for one in prepared.purchases
    }


def _book_before(event: GuestEvent, book: Book, hanging: Hanging) -> Book:
    """The book with the liquids as they hang for the event, and only the recipes that can be poured then."""
    hung = tuple(
        OnLine(line=line, liquid=liquid, container_ml=BEFORE_ML)
        for liquid, lines in hanging.all_lines.items()
        for line in lines
    )
    kept = tuple(one for one in book.recipes if one.recipe in hanging.recipes)
    handling_s = event.handling.take_s + event.handling.order_s
    house = msgspec.structs.replace(book.house, handling_s=handling_s)
    return msgspec.structs.replace(book, lines=hung, recipes=kept, house=house)


def _day_before(host: Attendant, profile: Profile, report: Report) -> float:
    """Span the scale, prime, calibrate by weight, learn how lines slow each other down, clean; how long it takes, s."""
    machine, lines = host.machine, tuple(sorted(host.liquids))
    if profile.scale is not None:
        report("zeroing and spanning the scale")
        span_scale(machine)
    prime_all(machine, lines)
    for line in lines:
        report(f"calibrating line {line}")
        calibrate(machine, line, by=BY)
    together = _able_to_run_together(profile, lines)
    if len(together) > 1:
        report(f"learning the sag from lines {', '.join(map(str, together))}")
        learn_sag(machine, together, TOGETHER_S, by=BY)
    host.close()
    return machine.clock.now_s()


def _able_to_run_together(profile: Profile, lines: Sequence[int]) -> tuple[int, ...]:
    """The first lines that the caps let run at once, up to three; with room for pumps quicker than their data sheet."""
    caps, chosen = profile.caps, list[int]()
    for line in lines:
        pumps = [profile.line(one).pump for one in [*chosen, line]]
        running_a = sum(pump.run_a for pump in pumps)
        starting_a = max(running_a - pump.run_a + pump.inrush_a for pump in pumps)
        flow_ml_s = 1.3 * sum(pump.nominal_flow_ml_s for pump in pumps)
        fits = len(pumps) <= min(caps.concurrent, TOGETHER)
        if fits and starting_a <= caps.current_a and flow_ml_s <= caps.flow_ml_s:
            chosen.append(line)
    return tuple(chosen)


def _serve(turns: GuestTurns, orders: Sequence[DrinkRequest], report: Report) -> tuple[tuple[LineSum, ...], float]:
    """Hang what was bought, then serve everyone: the lines' sums, and when the last glass was off."""
    host, event = turns.host, turns.host.event
    lead_s = event.handling.container_s * (1 + len(host.liquids))
    host.machine.clock.set_wall(DAY_WALL_S + event.opens_s - lead_s)
    poured_before = {line: host.machine.plant.true_delivered_ml(line) for line in host.liquids}
    host.opens_in(lead_s)
    host.hang_first()
    host.pass_until(0.0)
    said = 0

    def ordered(number: int) -> None:
        nonlocal said
        if number >= said + REPORT_EVERY:
            said = number
            report(f"{event.clock(host.now_s)}: {number} of {len(orders)} drinks ordered")

    turns.serve_all(orders, ordered)
    last_s = host.now_s
    host.pass_until(event.lasts_s)
    sums = tuple(_sum(turns, liquid, lines, poured_before) for liquid, lines in host.lines.items())
    return sums, last_s


def _clean(host: Attendant, report: Report) -> float:
    """Clean all lines; how long it takes, s."""
    report("cleaning")
    begun_s = host.now_s
    host.close()
    return host.now_s - begun_s


def _sum(turns: GuestTurns, liquid: str, lines: tuple[int, ...], before_ml: Mapping[int, float]) -> LineSum:
    line = lines[0]
    host, machine, stock = turns.host, turns.host.machine, turns.host.stock[liquid]
    doses = [dose for one in turns.served for dose in one.doses if dose.liquid == liquid]
    glasses_ml = sum(dose.glass_ml for dose in doses)
    calibration = next(one.calibration for one in machine.engine.status().lines if one.line == line)
    if calibration is None:
        raise RuntimeError(f"line {line} has served without a calibration")
    return LineSum(
        line=line,
        liquid=liquid,
        calibration=calibration,
        bought=stock,
        used=host.used[liquid],
        asked_ml=sum(dose.asked_ml for dose in doses),
        glasses_ml=glasses_ml,
        other_ml=sum(machine.plant.true_delivered_ml(one) - before_ml[one] for one in lines) - glasses_ml,
        left_ml=sum(map(machine.plant.container_ml, lines)) + sum(stock[host.used[liquid] :]),
        empties_ml=sum(one.left_ml for one in host.changes if one.liquid == liquid),
        booked_ml=sum(machine.engine.stock.view(one).remaining_ml for one in lines),
        twins=lines[1:],
    )
