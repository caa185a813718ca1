"""The simulated machine as one object: levels in, contacts and weights out.

Each call first brings about all events up to the clock's present.
"""

from collections.abc import Collection
from pathlib import Path

from controller.bench.cell_truth import CellEffect
from controller.bench.contacts import BY_ITSELF
from controller.bench.effects import Effect
from controller.bench.faults import SIPHON_ML_S, InjectedFault, require_possible, stuck_how
from controller.bench.fluids import AIR
from controller.bench.header import Header
from controller.bench.line_state import BenchLine
from controller.bench.memory import BenchMemory, remember, restore
from controller.bench.perfect import perfect_calibration
from controller.bench.report import BenchReport, LineTruthReport, line_view
from controller.bench.simulation import wired_relays
from controller.bench.stand import Stand
from controller.bench.trace import Entry, LevelEntry, Trace
from controller.bench.truth import Truth, draw
from controller.bench.tubing import SourceContainer
from controller.bench.vessels import total_ml
from controller.clock import Clock
from controller.errors import BoardError, Refused, require_in_range
from controller.hal.board import Pull
from controller.model.book import Book
from controller.model.profile import Profile

DESK = "the desk"  # holder of pins that are set by hand


class Plant(Stand):
    """Board, electrics and hydraulics of one machine, and what stands under its funnel.

    persist: outputs stay driven when the process that set them goes away, as on common vendor kernels; otherwise they
    become inputs. full: hang a full container of the book's liquid on every line. Tubes are empty at the start, no
    glass stands there, and the stop is not pressed. effects, has_run_s: what keeps the drawn machine from holding
    still, and how long its pumps have run (s). cell: effects of the load cell, as in `draw`. truth: a machine to
    simulate instead of drawing one. memory: how the same machine was left.
    """

    def __init__(
        self,
        profile: Profile,
        book: Book,
        *,
        clock: Clock,
        seed: int = 1,
        persist: bool = True,
        full: bool = True,
        truth: Truth | None = None,
        effects: Collection[Effect] = (),
        has_run_s: float = 0.0,
        cell: Collection[CellEffect] | None = None,
        memory: BenchMemory | None = None,
        trace_path: Path | None = None,
    ) -> None:
        drawn = truth or draw(profile, book, seed, effects=effects, has_run_s=has_run_s, cell=cell)
        super().__init__(book, drawn, clock, trace_path)
        self._machine, self._persist = profile.machine, persist
        self._relays = wired_relays(profile, self._simulation)
        self._inputs = {row.name: row for row in profile.input_table}
        self._signals = tuple(row for row in profile.output_table if row.role.is_on_while)
        self._contact_at = {one.gpio: name for name, one in self._inputs.items()}
        self._header = Header(profile.board.boot_lines)
        self._faults: list[InjectedFault] = []
        self._by_hand: set[str] = set()  # inputs that somebody holds active
        for line in book.lines if full else ():
            self._line(line.line).container = SourceContainer(line.liquid, line.container_ml, hung_s=clock.now_s())
        if memory is not None:
            restore(memory, self._simulation)
        for gpio in self._relays:
            self._follow(gpio, clock.now_s())

    # --- pins

    def claim_output(self, gpio: int, level: bool, *, holder: str = DESK) -> None:
        """Make this pin an output that carries this level from the first instant; BoardError while another holds it."""
        now_s = self._now()
        pin = self._header.claim(gpio, holder)
        pin.mode, pin.driven = "output", level
        self._pin_changed(gpio, now_s)

    def claim_input(self, gpio: int, pull: Pull, *, holder: str = DESK) -> None:
        """Make this pin an input with this pull; BoardError while another holds it."""
        now_s = self._now()
        pin = self._header.claim(gpio, holder)
        pin.mode, pin.pull = "input", pull
        self._pin_changed(gpio, now_s)

    def set_pin(self, gpio: int, level: bool, *, holder: str = DESK) -> None:
        """Drive a claimed output; BoardError when holder has not claimed it."""
        now_s = self._now()
        pin = self._header.held(gpio, holder)
        if pin.mode != "output":
            raise BoardError(f"GPIO {gpio} is not an output")
        if pin.driven != level:
            pin.driven = level
            self._pin_changed(gpio, now_s)

    def read_pin(self, gpio: int) -> bool:
        """The level at this pin."""
        now_s, name = self._now(), self._contact_at.get(gpio)
        return self._header.pin(gpio).level(grounded=name is not None and self._closed(name, now_s))

    def release_pin(self, gpio: int, *, holder: str = DESK) -> None:
        """Let go of a pin. An output stays as it is driven, or becomes an input where outputs do not persist."""
        now_s = self._now()
        pin = self._header.held(gpio, holder)
        pin.holder = None
        if not self._persist:
            pin.mode = "input"
        self._pin_changed(gpio, now_s)

    def leave(self, holder: str) -> None:
        """The process that held these pins is gone."""
        for gpio in self._header.held_by(holder):
            self.release_pin(gpio, holder=holder)

    def _pin_changed(self, gpio: int, now_s: float) -> None:
        pin = self._header.pin(gpio)
        self._trace.add(LevelEntry(at_s=now_s, gpio=gpio, mode=pin.mode, level=pin.level(), holder=pin.holder))
        if gpio in self._relays:
            self._follow(gpio, now_s)

    def _follow(self, gpio: int, now_s: float) -> None:
        """The relay at this pin follows its level."""
        relay, active = self._relays[gpio]
        relay.command(self._header.pin(gpio).level() == active, now_s)
        self._simulation.schedule()

    # --- what an operator does

    def hang(self, line: int, liquid: str, volume_ml: float) -> None:
        """Hang a container of this liquid on a line, in place of what hung there. Cleaner and rinse water count too."""
        require_in_range("volume_ml", volume_ml, 0.0, 50_000.0, "mL")
        if liquid == AIR or liquid not in self.truth.fluids:
            known = ", ".join(sorted(self.truth.fluids.keys() - {AIR}))
            raise Refused(rule="bench_container", reason=f"the bench knows no {liquid!r}", remedy=f"It knows {known}.")
        state, now_s = self._line(line), self._stop_here()
        state.container = SourceContainer(liquid, volume_ml, hung_s=now_s)
        self._act(now_s, f"line {line}: {volume_ml:g} mL of {liquid} hung")
        self._simulation.begin_piece()

    def unhang(self, line: int) -> None:
        """Take the container away: the line draws air."""
        state, now_s = self._line(line), self._stop_here()
        state.container = None
        self._act(now_s, f"line {line}: container taken away")
        self._simulation.begin_piece()

    def press_stop(self) -> None:
        """Press the stop button; it stays in."""
        self._by_hand.add("stop")
        self._act(self._now(), "stop pressed")

    def release_stop(self) -> None:
        """Turn the stop button out again."""
        self._by_hand.discard("stop")
        self._act(self._now(), "stop released")

    def set_tray(self, *, full: bool) -> None:
        """Fill the drip tray up to its contact, or empty it."""
        now_s = self._stop_here()
        (self._by_hand.add if full else self._by_hand.discard)("drip tray")
        if not full:
            self._simulation.vessels.tray = {}
        self._act(now_s, "tray filled" if full else "tray emptied")

    def set_input(self, name: str, *, active: bool) -> None:
        """Hold any other input active, or let go of it; Refused where the machine's own state alone decides."""
        if name not in self._inputs or self._inputs[name].role.effect == "own":
            known = ", ".join(one for one, row in self._inputs.items() if row.role.effect != "own")
            raise Refused(rule="bench_input", reason=f"no hand reaches an input {name!r}", remedy=f"There are {known}.")
        (self._by_hand.add if active else self._by_hand.discard)(name)
        self._act(self._now(), f"{name}: {'active' if active else 'at rest'}")

    def inject(self, fault: InjectedFault) -> None:
        """Bring in a fault; Refused when the machine has no such line or contact."""
        has_main, has_scale = self._simulation.main is not None, self._cell is not None
        lines, contacts = set(self._simulation.lines), set(self._inputs)
        require_possible(fault, lines, contacts, has_main_relay=has_main, has_scale=has_scale)
        self._apply_faults(fault, [fault], f"fault: {fault.words()}")

    def clear(self, fault: InjectedFault) -> None:
        """Take a fault away again. An emptied container stays empty until another is hung."""
        self._apply_faults(fault, [], f"fault cleared: {fault.words()}")

    # --- what can be seen

    def true_delivered_ml(self, line: int) -> float:
        """All liquid that has ever left this line's outlet (mL)."""
        now_s = self._now()
        state = self._line(line).copy()
        state.flow(now_s)
        return total_ml(state.left_outlet)

    def container_ml(self, line: int) -> float:
        """What is left in the container on this line (mL)."""
        return self._line(line).remaining_ml(self._now())

    def moves(self) -> bool:
        """Whether any pump turns or any relay is about to change."""
        self._now()
        return self._simulation.moves()

    def next_event_s(self) -> float:
        """When the bench will next do something by itself, on its clock; infinite while all is at rest."""
        self._now()
        return self._simulation.next_s

    def contacts(self) -> dict[str, bool]:
        """Contact name -> whether it is closed."""
        now_s = self._now()
        return {name: self._closed(name, now_s) for name in self._inputs}

    def report(self) -> BenchReport:
        """The whole bench now."""
        now_s = self._now()
        vessels = self._simulation.vessels_at(now_s)
        glass = vessels.glass or self._lifted
        pumps_a, board_v = self._simulation.electrics_at(now_s)
        return BenchReport(
            at_s=now_s,
            lines=tuple(line_view(line, now_s) for line in self._simulation.lines.values()),
            glass=vessels.glass.name if vessels.glass else None,
            glass_ml=glass.contents if glass else {},
            funnel_ml=vessels.funnel,
            tray_ml=vessels.tray,
            scale_g=self._scale.reading_g(now_s, vessels.load_g(self.truth.fluids)),
            contacts={name: self._closed(name, now_s) for name in self._inputs},
            pumps_a=pumps_a,
            board_v=board_v,
            lowest_board_v=min(self._simulation.lowest_board_v, board_v),
            faults=tuple(self._faults),
            is_fed=self._simulation.is_fed,
            outputs={row.name: self._header.pin(row.gpio).level() == row.is_active_high for row in self._signals},
        )

    @property
    def trace(self) -> Trace:
        """All that has happened at the pins and contacts up to now."""
        self._now()
        return self._trace

    def remember(self) -> BenchMemory:
        """What hangs on the lines, stands in the tubes and in the glass, to begin with at the next start."""
        self._stop_here()
        return remember(self._machine, self._simulation)

    def newest_entries(self, count: int = 200) -> list[Entry]:
        """The newest entries of the trace, oldest first; at most 1000."""
        require_in_range("count", count, 1, 1000, "entries")
        return list(self.trace.entries)[-count:]

    def close(self) -> None:
        """Complete the trace and close its file. May be repeated."""
        self.trace.close()

    def run_in(self, running_s: float) -> None:
        """Let all pumps, which must be at rest, have run for so long (s, >= 0) more. For benchmarks only."""
        require_in_range("running_s", running_s, 0.0, 1e8, "s")
        self._stop_here()
        self._simulation.run_in(running_s)

    def truth_report(self) -> tuple[LineTruthReport, ...]:
        """What a perfect calibration of every line with a container would find. For benchmarks only."""
        return tuple(
            perfect_calibration(self.truth, number, line.container.liquid, revs=line.motion.revs)
            for number, line in self._simulation.lines.items()
            if line.container
        )

    # --- inside

    def _line(self, number: int) -> BenchLine:
        if number not in self._simulation.lines:
            known = ", ".join(map(str, self._simulation.lines))
            raise Refused(rule="bench_line", reason=f"there is no line {number}", remedy=f"Lines are {known}.")
        return self._simulation.lines[number]

    def _closed(self, name: str, now_s: float) -> bool:
        for fault in self._faults:
            if fault.kind == "input stuck" and fault.contact == name:
                return fault.closed
        row = self._inputs[name]
        by_itself = BY_ITSELF.get(row.role.name)
        is_active = name in self._by_hand or (by_itself is not None and by_itself(self._simulation, row, now_s))
        return is_active != row.closed_at_rest

    def _apply_faults(self, changed: InjectedFault, now: list[InjectedFault], text: str) -> None:
        """Let all faults take effect; those that are the same as `changed` are now these."""
        now_s = self._stop_here()
        self._faults = [one for one in self._faults if not one.is_same(changed)] + now
        self._act(now_s, text)
        for number, line in self._simulation.lines.items():
            here = {fault.kind: fault.amount for fault in self._faults if fault.line == number}
            line.is_stalled, line.is_tube_off = "pump stalled" in here, "tube off" in here
            line.is_blocked = "tube blocked" in here
            line.worn, line.relay.extra_s = here.get("tube worn", 0.0), here.get("relay slow", 0.0)
            line.siphon_ml_s = (here["siphon"] or SIPHON_ML_S) if "siphon" in here else 0.0
            line.relay.stick(stuck_how("relay", here), now_s)
            if now and line.container and (changed.kind, changed.line) == ("container empty", number):
                line.container.remaining_ml = 0.0
            self._simulation.fail(line, now_s, dead="pump dead" in here)
        self._let_scale_fail(self._faults, now_s)
        if self._simulation.main is not None:
            self._simulation.main.stick(stuck_how("main relay", {fault.kind for fault in self._faults}), now_s)
        self._simulation.begin_piece()
