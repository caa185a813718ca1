"""A bench with a load cell of chosen effects, and who reads its converter."""

import statistics

from msgspec.structs import replace

from controller.bench.cell_truth import CellEffect, draw_cell
from controller.bench.load_cell import Conversion
from controller.bench.memory import BenchMemory
from tests.bench import fete_machine as fete
from tests.bench.desk import Desk, ideal_truth

LINES = (1, 2, 3, 4, 5, 6)


class LoadDesk(Desk):
    """Pumps without scatter and pulsation over a load cell; figures of the cell by name go over the drawn ones."""

    def __init__(
        self,
        effects: tuple[CellEffect, ...] = (),
        *,
        rate_hz: float = 80.0,
        seed: int = 1,
        memory: BenchMemory | None = None,
        **figures: float,
    ) -> None:
        self.cell = replace(draw_cell(seed, LINES, rate_hz=rate_hz, effects=effects), **figures)
        super().__init__(truth=replace(ideal_truth(fete.profile(), seed), cell=self.cell), memory=memory)
        self._after = -1

    def conversions(self, seconds: float) -> list[Conversion]:
        """All that the converter gives meanwhile, each taken as it comes."""
        end_s, taken = self.clock.now_s() + seconds, []
        while (next_s := self.plant.next_conversion_s()) <= end_s:
            self.clock.move_to(next_s)
            fresh = self.plant.conversions(self._after)
            self._after = fresh[-1].number if fresh else self._after
            taken += [one for one in fresh if one.at_s > end_s - seconds]
        self.clock.move_to(end_s)
        return taken

    def grams(self, seconds: float) -> list[float]:
        """The same in g, by the true span and zero."""
        return [(one.counts - self.cell.zero_counts) / self.cell.counts_per_g for one in self.conversions(seconds)]

    def mean_g(self, seconds: float = 1.0) -> float:
        return statistics.fmean(self.grams(seconds))

    def newest_g(self) -> float:
        return (self.plant.conversions()[-1].counts - self.cell.zero_counts) / self.cell.counts_per_g

    def true_g(self) -> float:
        """What truly stands there, as weighed in air: by contents and densities (OIML D 28:2004)."""
        report, fluids = self.plant.report(), self.plant.truth.fluids
        vessels = self.plant._simulation.vessels
        poured_g = sum(
            ml * (fluids[name].density_kg_m3 - 1.2) / 1000 / (1 - 1.2 / 8000) for name, ml in report.glass_ml.items()
        )
        glass = vessels.glass
        if glass is None:
            return vessels.mass_g
        return vessels.mass_g + (glass.empty_g or 40.0 + 0.8 * glass.brim_ml) + glass.solids_g + poured_g
