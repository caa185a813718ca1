"""The uncertainty budget of a single dose, by the names of ISO 8655-6 and the GUM (JCGM 100:2008)."""

import math
from collections.abc import Sequence

from controller.metering.distributions import coverage_factor
from controller.metering.flow_law import FlowLaw
from controller.metering.gravimetry import Volume
from controller.model.weighing import Budget, BudgetLine


def dose_budget(law: FlowLaw, weighed: Sequence[Volume], dose_ml: float) -> Budget:
    """Where the uncertainty of one dose (mL, > 0) comes from, given the weighings behind its line's law.

    What all weighings share goes with the dose; what each has of its own, and the scatter of the runs, reach the dose
    through the fit. The sum of squares is that of `dose.predict`. OutOfRange for a dose that the line cannot meter.
    """
    on_s = law.run_time_s(dose_ml)
    u_ml, degrees_of_freedom = law.single_run(on_s)
    mean_ml2 = law.u_mean_ml(on_s) ** 2
    own_ml2 = max(0.0, mean_ml2 - (law.u_common * dose_ml) ** 2)
    sources = {one.source: one.is_common for volume in weighed for one in volume.budget}
    of_all = {source: _mean_square(weighed, source, is_common=is_common) for source, is_common in sources.items()}
    total_own = math.fsum(square for source, square in of_all.items() if not sources[source])
    total_common = math.fsum(square for source, square in of_all.items() if sources[source])
    lines = []
    for source, square in of_all.items():
        if sources[source]:
            share = (law.u_common * dose_ml) ** 2 * (square / total_common if total_common > 0.0 else 0.0)
        else:
            share = law.weighing_share * own_ml2 * (square / total_own if total_own > 0.0 else 0.0)
        lines.append(BudgetLine(source=source, evaluation="B", u_ml=math.sqrt(share)))
    of_trials = math.sqrt((1.0 - law.weighing_share) * own_ml2)
    return Budget(
        dose_ml=dose_ml,
        lines=(
            *lines,
            BudgetLine(source="repeatability of the trials", evaluation="A", u_ml=of_trials),
            BudgetLine(source="repeatability of the dose", evaluation="A", u_ml=law.scatter.at_ml(dose_ml)),
        ),
        u_ml=u_ml,
        degrees_of_freedom=degrees_of_freedom,
        k=coverage_factor(degrees_of_freedom),
    )


def _mean_square(weighed: Sequence[Volume], source: str, *, is_common: bool) -> float:
    """Mean square of a contribution: of what is common relative to the volume, else in mL."""
    squares = [
        (one.u_ml / (volume.volume_ml if is_common else 1.0)) ** 2
        for volume in weighed
        if volume.volume_ml > 0.0
        for one in volume.budget
        if one.source == source
    ]
    return math.fsum(squares) / len(squares) if squares else 0.0
