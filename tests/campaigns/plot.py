"""What one run of the campaign is about, drawn from its seed: machine, past, orders, troubles."""

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import msgspec
from msgspec.structs import replace

from controller.bench import memory as bench_memory
from controller.bench.fluids import AIR, CLEANER, RINSE_WATER
from controller.bench.header import RESET_PULL
from controller.bench.perfect import perfect_calibration
from controller.bench.truth import Truth, draw
from controller.config import load
from controller.ledger.journal_segment import START, JournalEntry, chained
from controller.model.book import Book, Liquid
from controller.model.calibration import Calibration
from controller.model.plan import Interval
from controller.model.profile import Caps, Profile
from controller.model.states import Contents, OperationKind
from controller.model.wiring import Contact, Inputs, LevelSwitch
from controller.safety.records import LineState, Memory, Moment, Serving, Stamped
from tests.campaigns.troubles import Trouble, draw_troubles
from tests.campaigns.wire import Manners

ROOT = Path(__file__).resolve().parents[2]
PAIRS = (("bench_six_line", "orchard_fete"), ("bench_eight_line", "harvest_supper"))
START_S, BOOT = 1000.0, "boot 0"
BENCHES = 12  # different true machines; each is worked out once per process
U_FLOW, U_LAG_S = 0.005, 0.008  # relative, s: about what a careful calibration reaches
SPARE_GPIO = 26  # for a level contact, unused by the example machines


@dataclass(frozen=True, kw_only=True)
class Order:
    """What a person wants; `amount` scales a pour, or is the seconds of a trial or a jog."""

    kind: OperationKind
    recipe: str = ""
    lines: tuple[int, ...] = ()
    amount: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Plot:
    """Everything that a run needs to know beforehand."""

    seed: int
    profile: Profile
    book: Book
    truth: Truth
    past: Memory
    bench: bench_memory.BenchMemory
    manners: Manners
    poll_s: float
    jitter_s: float
    persist: bool
    rogue: float  # how often a plan is altered on its way to the guard
    lazy: float  # how often a person leaves the glass of the drink before
    orders: tuple[Order, ...]
    troubles: tuple[Trouble, ...]

    def on(self, **machine: Any) -> "Plot":
        """The same plot on another machine."""
        return dataclasses.replace(self, **machine)

    def is_calibrated(self, line: int, liquid: str | None) -> bool:
        """Whether the guard knows the flow of this liquid on this line."""
        return any((one.line, one.liquid) == (line, liquid) for one in self.past.calibrations)

    def flow_ml_s(self, line: int, liquid: str | None) -> float:
        """The line's flow by its calibration, else the most that the pump may give."""
        for one in self.past.calibrations:
            if (one.line, one.liquid) == (line, liquid):
                return one.flow_ml_s
        return 1.25 * self.profile.line(line).pump.nominal_flow_ml_s

    def journal(self) -> JournalEntry:
        """The past, as the journal holds it."""
        stamped = Stamped(mono_s=0.0, wall_s=self.past.wall_s, record=self.past)
        return chained(START, msgspec.json.encode([stamped]))


def draw_plot(seed: int, wall_s: float) -> Plot:
    """The plot of this seed; wall_s: what the wall clock shows at the start."""
    rng = Random(seed)
    machine, book = files(*rng.choice(PAIRS))
    book = _with_twins(book, Random(f"{seed} twins"))
    profile = replace(machine, caps=_caps(machine.caps, rng), inputs=_inputs(machine, rng))
    profile = replace(profile, hygiene=replace(machine.hygiene, cleaner_contact_s=rng.choice((1.0, 5.0, 1200.0))))
    truth = _truth(machine.machine, rng.randrange(BENCHES))
    ready = rng.choice((0.4, 0.85, 0.95, 0.95))
    states = tuple(_state(line.line, book, ready=ready, wall_s=wall_s, rng=rng) for line in machine.lines)
    past = Memory(
        boot=BOOT,
        wall_s=wall_s,
        lines=states,
        calibrations=tuple(_calibrations(machine, book, truth, states, wall_s=wall_s, rng=rng)),
        servings=_servings(profile.caps, rng),
        on_times=_on_times(profile, rng),
        caps=msgspec.to_builtins(profile.caps),
    )
    lazy = rng.choice((0.0, 0.0, 0.0, 0.9))
    return Plot(
        seed=seed,
        profile=profile,
        book=book,
        truth=truth,
        past=past,
        bench=_bench(profile, book, truth, states, rng),
        manners=_manners(rng),
        poll_s=rng.choice((0.02, 0.05, 0.1, 0.1)),
        jitter_s=rng.choice((0.0, 0.0, 0.001, 0.02)),
        persist=rng.random() < 0.7 or not _rests_off(machine),
        rogue=rng.choice((0.0, 0.0, 0.0, 0.5)),
        lazy=lazy,
        orders=_orders(profile, book, rng, lazy=lazy),
        troubles=draw_troubles(profile, rng),
    )


def _with_twins(book: Book, rng: Random) -> Book:
    """In one of three plots one or two lines carry the liquid of another."""
    if rng.random() > 1 / 3:
        return book
    first, *others = rng.sample(book.lines, rng.randint(2, 3))
    twins = {one.line for one in others}
    lines = tuple(replace(one, liquid=first.liquid) if one.line in twins else one for one in book.lines)
    return replace(book, lines=lines)


@cache
def files(machine: str, book: str) -> tuple[Profile, Book]:
    """A profile and a book of the examples."""
    return load(ROOT / "hardware_profiles" / f"{machine}.yaml", ROOT / "demo" / f"{book}.yaml")[:2]


@cache
def _truth(machine: str, number: int) -> Truth:
    profile, book = next(pair for pair in (files(*names) for names in PAIRS) if pair[0].machine == machine)
    return draw(profile, book, number)


def _caps(caps: Caps, rng: Random) -> Caps:
    """Half of the machines are allowed much less than the examples, so that caps are met often: all, or one or two."""
    tight: dict[str, float] = {
        "serving_volume_ml": rng.uniform(40, 150),
        "serving_time_s": rng.uniform(8, 40),
        "run_on_s": rng.uniform(5, 20),
        "operation_on_s": rng.uniform(8, 30),
        "duty_fraction": rng.uniform(0.2, 0.9),
        "duty_window_s": rng.uniform(20, 120),
        "current_a": rng.uniform(1.7, 3.4),
        "flow_ml_s": rng.uniform(8, 35),
        "concurrent": rng.randint(1, 4),
        "line_volume_ml": rng.uniform(20, 150),
        "serving_ethanol_g": rng.uniform(2, 12),
        "hour_ethanol_g": rng.uniform(5, 40),
        "hour_servings": rng.randint(1, 10),
        "serving_pause_s": rng.uniform(0.0, 3.0),
        "held_s": rng.uniform(1.0, 8.0),
    }
    chosen = rng.choice(([], list(tight), rng.sample(list(tight), 1), rng.sample(list(tight), 2)))
    return replace(caps, **{name: tight[name] for name in chosen})


def _inputs(machine: Profile, rng: Random) -> Inputs:
    """Some machines lack contacts, some have a level switch more, some a glass contact that is closed without one."""
    inputs = machine.inputs
    if rng.random() < 0.3:
        level = LevelSwitch(line=rng.choice(machine.lines).line, gpio=SPARE_GPIO, contact="normally_closed")
        inputs = replace(inputs, levels=(level,))
    if inputs.glass is not None and rng.random() < 0.2:
        contact = replace(inputs.glass, contact="normally_closed") if rng.random() < 0.5 else None
        inputs = replace(inputs, glass=contact)
    stop = Contact(gpio=inputs.stop.gpio, contact="normally_closed", debounce_s=rng.choice((0.0, 0.01, 0.03)))
    return replace(inputs, stop=stop)


def _rests_off(machine: Profile) -> bool:
    """Whether every relay lets go when its pin becomes an input with the pull that it has after reset."""
    resting = "up" if machine.relay_board.active_level == "low" else "down"
    return all(RESET_PULL[line.gpio] == resting for line in machine.lines)


def _liquid(book: Book, name: str | None) -> Liquid | None:
    return next((one for one in book.liquids if one.liquid == name), None)


def _state(number: int, book: Book, *, ready: float, wall_s: float, rng: Random) -> LineState:
    """What a line has been through; `ready` is the chance that it can serve."""
    assigned = next((on.liquid for on in book.lines if on.line == number), None)
    liquid = _liquid(book, assigned)
    if liquid is None:
        return LineState(line=number)
    lately = Moment(credited_s=0.0, wall_s=wall_s)
    wetted: dict[str, Any] = {
        "assigned": assigned,
        "residues": (assigned,),
        "traces": tuple(sorted(liquid.allergens)),
        "opened": lately,
        "wetted": lately,
        "cleaned": lately,
    }
    if rng.random() < ready:
        return LineState(line=number, contents=Contents.LIQUID, holds=assigned, filled=lately, **wetted)
    match rng.choice(("empty", "rinsed", "cleaner", "unknown")):
        case "rinsed":
            return LineState(line=number, contents=Contents.RINSE_WATER, **wetted)
        case "cleaner":
            return LineState(line=number, contents=Contents.CLEANER, chemical=True, soaked_s=0.0, **wetted)
        case "unknown":
            return LineState(line=number, contents=Contents.UNKNOWN, chemical=rng.random() < 0.5, **wetted)
    return LineState(line=number, assigned=assigned)


def _calibrations(
    machine: Profile, book: Book, truth: Truth, states: tuple[LineState, ...], *, wall_s: float, rng: Random
) -> Iterator[Calibration]:
    """Good ones, as a careful person would take; a few lines have none."""
    for state in states:
        if state.assigned is None or rng.random() < 0.05:
            continue
        true = perfect_calibration(truth, state.line, state.assigned)
        band = machine.flow_band(state.line)
        if band.least_ml_s < true.flow_ml_s * (1 - U_FLOW) < true.flow_ml_s * (1 + U_FLOW) < band.most_ml_s:
            yield Calibration(
                line=state.line,
                liquid=state.assigned,
                flow_ml_s=true.flow_ml_s * (1 + U_FLOW * rng.uniform(-1, 1)),
                lag_s=true.lag_s + U_LAG_S * rng.uniform(-1, 1),
                u_flow_ml_s=U_FLOW * true.flow_ml_s,
                u_lag_s=U_LAG_S,
                cov_flow_lag=0.0,
                sag_per_a=min(max(true.sag_per_a, 0.0), 0.1),
                scatter_ml=true.ripple_ml,
                scatter_fraction=true.scatter_fraction,
                taken_wall_s=wall_s,
            )


def _servings(caps: Caps, rng: Random) -> tuple[Serving, ...]:
    """Some evenings are well under way: one or two servings are left in the hour."""
    if rng.random() < 0.6:
        return ()
    count = max(0, caps.hour_servings - rng.randint(1, 2))
    grams = max(0.0, caps.hour_ethanol_g - rng.uniform(5, 30)) / max(1, count)
    return tuple(Serving(at_s=-600.0, ethanol_g=grams) for _ in range(count))


def _on_times(profile: Profile, rng: Random) -> tuple[Interval, ...]:
    """Some pumps have been busy."""
    if rng.random() < 0.6:
        return ()
    caps = profile.caps
    busy_s = caps.duty_fraction * caps.duty_window_s * rng.uniform(0.3, 0.95)
    return tuple(Interval(line=line.line, start_s=-busy_s, end_s=0.0) for line in profile.lines if rng.random() < 0.5)


def _bench(
    profile: Profile, book: Book, truth: Truth, states: tuple[LineState, ...], rng: Random
) -> bench_memory.BenchMemory:
    """The bench in the state that the past has left."""
    containers = {on.line: on.container_ml for on in book.lines}
    lines = []
    for state in states:
        line = truth.lines[state.line]
        whole_ml = line.suction_ml + line.delivery_ml
        fluid = {
            Contents.LIQUID: state.holds,
            Contents.CLEANER: CLEANER,
            Contents.RINSE_WATER: RINSE_WATER,
            Contents.UNKNOWN: CLEANER if state.chemical else state.assigned,
        }.get(state.contents) or AIR
        share = rng.random() if state.contents is Contents.UNKNOWN else 1.0
        tube = ((fluid, share * whole_ml), (AIR, (1 - share) * whole_ml)) if share < 1 else ((fluid, whole_ml),)
        remaining_ml = containers.get(state.line, 0.0)
        if rng.random() < 0.1:
            remaining_ml = rng.uniform(10, 90)  # will run dry
        lines.append(
            bench_memory.LineMemory(
                line=state.line,
                liquid=state.assigned,
                remaining_ml=remaining_ml if state.assigned else 0.0,
                tube=tube,
                revs=0.0,
                runs=rng.randrange(1000),
                left_outlet_ml={},
            )
        )
    return bench_memory.BenchMemory(
        machine=profile.machine, seed=truth.seed, lines=tuple(lines), funnel_ml={}, tray_ml={}, glass=None
    )


def _manners(rng: Random) -> Manners:
    if rng.random() < 0.6:
        return Manners(delay_s=rng.choice((0.0, 0.0, 0.002, 0.05)))
    return Manners(
        delay_s=rng.choice((0.002, 0.02, 0.2)),
        lose=rng.choice((0.0, 0.02, 0.2)),
        double=rng.choice((0.0, 0.05, 0.3)),
        reorder=rng.choice((0.0, 0.1, 0.5)),
    )


def _orders(profile: Profile, book: Book, rng: Random, *, lazy: float) -> tuple[Order, ...]:
    """Two to four; where glasses are left standing, the same small drink again and again."""
    if lazy:
        return (Order(kind=OperationKind.SERVE, recipe=rng.choice(book.recipes).recipe, amount=0.3),) * 5
    return tuple(_order(profile, book, rng) for _ in range(rng.randint(2, 4)))


def _order(profile: Profile, book: Book, rng: Random) -> Order:
    kind = rng.choices(list(OperationKind), [70, 8, 5, 5, 5, 3, 4])[0]
    if kind is OperationKind.SERVE:
        return Order(kind=kind, recipe=rng.choice(book.recipes).recipe, amount=rng.choice((0.3, 0.5, 0.5, 0.8, 1.0)))
    known = [on.line for on in book.lines]
    lines = tuple(sorted(rng.sample(known, rng.choice((1, 1, 2)))))
    amount = rng.uniform(0.2, 2.5) if kind is OperationKind.JOG else rng.uniform(1.0, 8.0)
    return Order(kind=kind, lines=lines[:1] if kind is OperationKind.JOG else lines, amount=amount)
