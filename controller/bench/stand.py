"""What stands under the funnel and what people do there; a person's scale, and the load cell."""

from pathlib import Path
from random import Random

from controller.bench.faults import OF_SCALE, InjectedFault
from controller.bench.load_cell import Conversion, LoadCell
from controller.bench.scale import KitchenScale
from controller.bench.simulation import Simulation
from controller.bench.touches import Hand, Knock
from controller.bench.trace import ActionEntry, Trace
from controller.bench.truth import Truth
from controller.bench.vessels import BenchGlass
from controller.clock import Clock
from controller.errors import Refused, require_in_range, require_positive
from controller.model.book import Book

MOST_G = 20_000.0  # that anybody puts on a platform, or presses it with
USUAL_SHARE = 0.7  # of the tolerance that the book states, within which its glasses lie; invented
SPLASH = 0.5  # peak of the blow with which ice arrives, as a share of its weight; common practice, no source


class Stand:
    """The simulation, and what can be done and read under its funnel. No glass stands there at the start."""

    def __init__(self, book: Book, truth: Truth, clock: Clock, trace_path: Path | None) -> None:
        self.truth = truth
        self._book, self._clock = book, clock
        self._trace = Trace(trace_path)
        self._simulation = Simulation(truth, self._trace, clock.now_s())
        self._scale = KitchenScale(truth.seed)
        self._lifted: BenchGlass | None = None
        self._glasses = Random(f"{truth.seed}/glasses")
        platform = self._simulation.platform
        self._cell = LoadCell(truth.seed, truth.cell, platform, clock.now_s()) if truth.cell and platform else None

    # --- what people do

    def place_glass(
        self, name: str | None = None, *, brim_ml: float | None = None, empty_g: float | None = None
    ) -> None:
        """Put a glass under the funnel: a fresh one of the book or of this brim volume (mL), else the lifted one.

        empty_g: what the fresh glass weighs (g); else as the book says, give or take what glasses of its kind differ,
        or as its size lets one expect.
        """
        now_s, before_g = self._stop_and_weigh()
        if self._simulation.vessels.glass is not None:
            raise Refused(rule="bench_glass", reason="a glass stands there already.", remedy="Lift it first.")
        if name is not None and brim_ml is None:
            known = next((one for one in self._book.glasses if one.glass == name), None)
            if known is None:
                raise Refused(rule="bench_glass", reason=f"the book has no glass {name!r}")
            brim_ml = known.brim_ml
            if empty_g is None and known.tare_g is not None:
                empty_g = known.tare_g + self._glasses.uniform(-1, 1) * USUAL_SHARE * known.tare_tolerance_g
        if brim_ml is not None:
            require_positive("brim_ml", brim_ml, "mL")
            self._lifted = BenchGlass(name or f"{brim_ml:g} mL", brim_ml)
        if self._lifted is None:
            raise Refused(rule="bench_glass", reason="no glass was lifted; name one or give its brim volume")
        if empty_g is not None:
            require_in_range("empty_g", empty_g, 1.0, MOST_G, "g")
            self._lifted.empty_g = empty_g
        self._simulation.vessels.glass, self._lifted = self._lifted, None
        self._load_jumped(now_s, before_g, f"glass placed: {self._simulation.vessels.glass.name}")

    def lift_glass(self) -> dict[str, float]:
        """Take the glass away; what it holds, in mL by liquid."""
        now_s, before_g = self._stop_and_weigh()
        glass = self._standing()
        self._simulation.vessels.glass, self._lifted = None, glass
        self._load_jumped(now_s, before_g, f"glass lifted: {glass.name}")
        return glass.contents.copy()

    def empty_glass(self) -> dict[str, float]:
        """Pour the glass away, ice included, standing or lifted; what it held, in mL by liquid."""
        now_s, before_g = self._stop_and_weigh()
        glass = self._simulation.vessels.glass or self._lifted
        if glass is None:
            raise Refused(rule="bench_glass", reason="there is no glass")
        held, glass.contents, glass.solids_g = glass.contents, {}, 0.0
        self._load_jumped(now_s, before_g, f"glass emptied: {glass.name}")
        return held

    def add_ice(self, grams: float) -> None:
        """Put ice or garnish (g) into the glass that stands there."""
        require_in_range("grams", grams, 0.1, MOST_G, "g")
        now_s, before_g = self._stop_and_weigh()
        glass = self._standing()
        glass.solids_g += grams
        self._load_jumped(now_s, before_g, f"{grams:g} g of ice put in")
        if self._simulation.platform is not None:
            self._simulation.platform.touch(Knock(now_s, SPLASH * grams))

    def place_mass(self, grams: float) -> None:
        """Have a mass of so many g on the platform, beside any glass, in place of the one before; 0 takes it away."""
        require_in_range("grams", grams, 0.0, MOST_G, "g")
        now_s, before_g = self._stop_and_weigh()
        self._simulation.vessels.mass_g = grams
        self._load_jumped(now_s, before_g, f"a mass of {grams:g} g stands on the platform")

    def knock(self, grams: float) -> None:
        """Knock against the platform, with a peak of so many g."""
        require_in_range("grams", grams, -MOST_G, MOST_G, "g")
        now_s = self._stop_here()
        if self._simulation.platform is not None:
            self._simulation.platform.touch(Knock(now_s, grams))
        self._act(now_s, f"a knock of {grams:g} g")

    def lean(self, grams: float, for_s: float) -> None:
        """Rest a hand on the platform for so long (s); it presses with so many g, or lifts a little when negative."""
        require_in_range("grams", grams, -MOST_G, MOST_G, "g")
        require_in_range("for_s", for_s, 0.1, 600.0, "s")
        now_s = self._stop_here()
        if self._simulation.platform is not None:
            self._simulation.platform.touch(Hand(now_s, grams, for_s))
        self._act(now_s, f"a hand of {grams:g} g for {for_s:g} s")

    # --- what can be seen

    def scale_g(self) -> float:
        """The display (g) of a person's scale under the glass, less the tare, with noise."""
        now_s = self._now()
        return self._scale.reading_g(now_s, self._simulation.load_g(now_s))

    def tare(self) -> None:
        """Set the person's scale to zero."""
        now_s = self._now()
        self._scale.tare(now_s, self._simulation.load_g(now_s))

    def conversions(self, after: int = -1) -> list[Conversion]:
        """What the load cell's converter has given since conversion number `after`, of the last two seconds.

        Oldest first. Refused on a machine whose profile has no scale.
        """
        now_s, cell = self._now(), self._require_cell()
        self._convert(now_s)
        return cell.newest(now_s, self._simulation.lines, after)

    def convert(self, after: int = -1) -> Conversion | None:
        """The newest conversion, as a driver reads it; None while there is none beyond number `after`."""
        fresh = self.conversions(after)
        return fresh[-1] if fresh else None

    def next_conversion_s(self) -> float:
        """When the load cell's next conversion ends, on the bench's clock; for who runs bench and clock in one."""
        return self._require_cell().next_s(self._clock.now_s())

    def glass_contents_ml(self) -> dict[str, float]:
        """What is in the standing or lifted glass, mL by liquid; nothing without one."""
        glass = self._simulation.vessels_at(self._now()).glass or self._lifted
        return glass.contents.copy() if glass else {}

    # --- inside

    def _now(self) -> float:
        now_s = self._clock.now_s()
        self._simulation.advance(now_s)
        return now_s

    def _stop_here(self) -> float:
        now_s = self._clock.now_s()
        self._simulation.stop_at(now_s)
        return now_s

    def _require_cell(self) -> LoadCell:
        if self._cell is None:
            raise Refused(rule="bench_scale", reason="this machine has no scale")
        return self._cell

    def _standing(self) -> BenchGlass:
        if self._simulation.vessels.glass is None:
            raise Refused(rule="bench_glass", reason="no glass stands there")
        return self._simulation.vessels.glass

    def _act(self, now_s: float, text: str) -> None:
        self._trace.add(ActionEntry(at_s=now_s, text=text))

    def _stop_and_weigh(self) -> tuple[float, float]:
        now_s = self._stop_here()
        self._convert(now_s)
        return now_s, self._simulation.load_g(now_s)

    def _convert(self, now_s: float) -> None:
        """Bring the load cell up to the present, before something changes."""
        if self._cell is not None:
            self._simulation.record_force(now_s)
            self._cell.convert(now_s, self._simulation.lines)

    def _load_jumped(self, now_s: float, before_g: float, text: str) -> None:
        self._scale.jump(now_s, before_g, self._simulation.load_g(now_s))
        if self._simulation.platform is not None:
            self._simulation.platform.stand(now_s, self._simulation.vessels.glass)
        self._act(now_s, text)

    def _let_scale_fail(self, faults: list[InjectedFault], now_s: float) -> None:
        if self._cell is not None:
            self._convert(now_s)
            self._cell.apply([one for one in faults if one.kind in OF_SCALE], now_s)
