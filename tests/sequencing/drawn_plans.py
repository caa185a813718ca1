"""Plans drawn over drawn profiles, shown to the guard's caps: those that the planner keeps to must refuse none.

python3 tests plans [--seed 1] [--runs 10000] [--twins]

Relays that open faster or more slowly than they close, inrushes long and short, tight and wide limits, calibrations
anywhere in their bands, sag, one to eight lines in up to three phases. Volume, time and ethanol are left unlimited:
a request can exceed those whatever the planner does. A failure is named by its seed and number.
"""

import argparse
import random
import sys

import msgspec

from controller.errors import Refused
from controller.model.book import Glass
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.messages import Refusal
from controller.model.plan import Operation
from controller.model.profile import Line, Profile
from controller.model.states import OperationKind
from controller.safety.caps import violations
from controller.safety.case import Case, PastUse, Proposal, timeline
from controller.safety.figures import Figures
from controller.sequencing.plan import plan_serving
from controller.sequencing.twins import Source
from tests.sequencing.eight_lines import BOOK, PROFILE, calibration

replace = msgspec.structs.replace
LARGE = replace(BOOK, glasses=(Glass(glass="bucket", brim_ml=1e5, usable_ml=1e5),))


def draw_profile(rng: random.Random) -> Profile:
    """A machine whose every figure that planner and guard both reckon with is drawn."""
    caps = replace(
        PROFILE.caps,
        current_a=round(rng.uniform(1.7, 5.0), rng.choice((1, 2, 6))),
        flow_ml_s=rng.uniform(8.0, 40.0),
        concurrent=rng.randint(1, 8),
        start_gap_s=rng.choice((0.0, 0.05, 0.1, rng.uniform(0.0, 0.5))),
        serving_volume_ml=1e5,
        serving_time_s=1e5,
        run_on_s=1e5,
        operation_on_s=1e5,
        duty_fraction=1.0,
        serving_ethanol_g=1e5,
        hour_ethanol_g=1e5,
    )
    relays = replace(PROFILE.relay_board, operate_s=rng.uniform(0.0, 0.02), release_s=rng.uniform(0.0, 0.02))
    funnel = replace(PROFILE.funnel, settle_s=rng.choice((0.0, rng.uniform(0.0, 3.0))))
    lines = tuple(_draw_line(line, rng) for line in PROFILE.lines)
    return replace(PROFILE, caps=caps, relay_board=relays, funnel=funnel, lines=lines)


def _draw_line(line: Line, rng: random.Random) -> Line:
    run_a = round(rng.uniform(0.2, 0.8), rng.choice((1, 2, 6)))
    pump = replace(
        line.pump,
        nominal_flow_ml_s=rng.uniform(1.0, 6.0),
        run_a=run_a,
        inrush_a=min(1.7, run_a * rng.uniform(1.0, 3.0)),
        inrush_s=rng.choice((0.05, 0.1, rng.uniform(0.01, 0.6))),
    )
    return replace(line, pump=pump)


def draw_phases(rng: random.Random, known: dict[int, Calibration]) -> tuple[Resolved, ...]:
    """One to eight doses in up to three phases, now and then with a hand step between them."""
    liquids = list(dict.fromkeys(one.liquid for one in known.values()))
    names = rng.sample(liquids, rng.randint(1, len(liquids)))
    phases: list[Resolved] = []
    while names:
        count = rng.randint(1, len(names)) if len(phases) < 2 else len(names)
        doses = tuple((name, rng.uniform(2.0, 60.0)) for name in names[:count])
        phases.append(Resolved(doses=doses, hand="add ice" if phases and rng.random() < 0.2 else None, takes_ml=0.0))
        names = names[count:]
    return tuple(phases)


def draw_twins(rng: random.Random, known: dict[int, Calibration]) -> dict[int, Calibration]:
    """Up to half of the lines with the liquid of another one."""
    lines = rng.sample(list(known), rng.randint(1, len(known) // 2))
    others = [line for line in known if line not in lines]
    return known | {line: replace(known[line], liquid=known[rng.choice(others)].liquid) for line in lines}


def refusals(seed: int, number: int, *, twins: bool = False) -> list[Refusal]:
    """What the guard's caps say of one drawn plan."""
    rng = random.Random(f"{seed} {number}")
    profile = draw_profile(rng)
    known = {
        line.line: calibration(line.line, f"liquid {line.line}", rng, line.pump.nominal_flow_ml_s)
        for line in profile.lines
    }
    if twins:
        known = draw_twins(random.Random(f"twins {seed} {number}"), known)
    sources: dict[str, tuple[Source, ...]] = {}
    for line, one in known.items():
        sources[one.liquid] = (*sources.get(one.liquid, ()), Source(line=line))
    try:
        plan = plan_serving(profile, known, sources, draw_phases(rng, known))
    except Refused as refused:  # one line alone exceeds a cap: the planner says so itself
        assert refused.rule in ("current", "flow")
        return []
    operation = Operation(
        operation="drawn", kind=OperationKind.SERVE, segments=plan.segments, recipe="Drawn", glass="bucket"
    )
    asked = Proposal(
        operation=operation,
        runs=timeline(operation),
        planned=timeline(operation, as_planned=True),
        strengths=dict.fromkeys(known, 0.0),
        now_s=1e6,
    )
    case = Case(asked=asked, figures=Figures(profile=profile, calibrations=known), book=LARGE, history=PastUse())
    return violations(case)


def main() -> int:
    """Draw, plan, ask; exit code 1 when the guard refuses one."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--twins", action="store_true", help="up to half of the lines share a liquid with another")
    options = parser.parse_args()
    refused = 0
    for number in range(options.runs):
        found = refusals(options.seed, number, twins=options.twins)
        refused += bool(found)
        for one in found:
            print(f"seed {options.seed}, number {number}: {one.rule}: {one.reason}")
    print(f"plans: {options.runs} drawn from seed {options.seed}, {refused} refused by the guard")
    return int(refused > 0)


if __name__ == "__main__":
    sys.exit(main())
