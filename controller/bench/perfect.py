"""What a perfect calibration of a line would find, worked out from the truth. For benchmarks only."""

import math

from controller.bench import electrics
from controller.bench.fluids import AIR
from controller.bench.report import LineTruthReport
from controller.bench.truth import Truth
from controller.bench.tube_set import displaced_share
from controller.bench.tubing import BenchTube


def perfect_calibration(truth: Truth, number: int, liquid: str, *, revs: float = 0.0) -> LineTruthReport:
    """Flow, lag and sag of a line whose tube is full of this liquid and whose rotor has made this many revolutions.

    With a cold motor, at the supply's own voltage, from a full container at 20 C, and with no gas coming out.
    """
    line, pump = truth.lines[number], truth.lines[number].pump
    everyone = {other: one.pump for other, one in truth.lines.items()}
    alone = electrics.steady(truth.supply, {number: pump}, set(), 1)
    crowded = electrics.steady(truth.supply, everyone, set(), len(everyone))
    flow_ml_s = _flow_ml_s(truth, number, liquid, alone.speed[number], revs)
    others_a = sum(crowded.current_a.values()) - crowded.current_a[number]
    crowded_ml_s = _flow_ml_s(truth, number, liquid, crowded.speed[number], revs)
    # On-time T moves the rotor by speed * (T - operate + release - run-up), and coasting from there adds
    # speed * coast / 2, with the coast as much shorter as the speed is lower.
    lag_s = line.operate_s - line.release_s + pump.run_up_s - pump.coast_s * alone.speed[number] / 2
    return LineTruthReport(
        line=number,
        liquid=liquid,
        flow_ml_s=flow_ml_s,
        lag_s=lag_s,
        sag_per_a=(1 - crowded_ml_s / flow_ml_s) / others_a if others_a > 0 and flow_ml_s > 0 else 0.0,
        scatter_fraction=pump.scatter,
        ripple_ml=pump.volume_ml_rev * pump.pulsation / (2 * math.pi * pump.rollers),
        run_a=alone.current_a[number],
    )


def _flow_ml_s(truth: Truth, number: int, liquid: str, speed_fraction: float, revs: float) -> float:
    line, pump = truth.lines[number], truth.lines[number].pump
    tube = BenchTube(line)
    if liquid != AIR:
        tube.push(liquid, line.suction_ml + line.delivery_ml)
    worn = (1 - pump.wear_per_rev * revs) * displaced_share(line.tube_set, revs)
    displaced_ml_s = pump.volume_ml_rev * worn * pump.speed_rev_s * speed_fraction
    return displaced_ml_s * tube.fill_fraction(displaced_ml_s, truth.fluids)
