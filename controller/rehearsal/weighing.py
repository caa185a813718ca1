"""Calibrate a rehearsed machine by its own scale, as a person at the desk would."""

import statistics
from collections.abc import Callable

from controller.model.requests import (
    CalibrationRequest,
    LineRequest,
    SpotCheckRequest,
    TogetherRequest,
    TrialRequest,
    WeighingRequest,
)
from controller.model.scale import ScaleSetting, Span
from controller.model.views import FitView, SagView, SpotCheckView
from controller.rehearsal.virtual_machine import VirtualMachine

JAR_ML = 2000.0
SETTLE_S = 4.0  # for the last drops, and for a scale on which a heavy jar was just set
READINGS, READING_S = 5, 0.1
U_GRAMS = 0.03  # of the difference of two such means
MASS_G = 1000.0  # adjusting weight; class M1 is within 50 mg (OIML R 111, from memory)
U_SPAN = 3e-4  # its noise and tolerance, and what the cell's line bends below it (0.05 % of its capacity)


def span_scale(machine: VirtualMachine) -> ScaleSetting:
    """Zero the machine's scale with nothing on it and span it with an adjusting weight, as at the desk."""
    zero = _mean_counts(machine)
    machine.plant.place_mass(MASS_G)
    machine.pass_time(SETTLE_S)
    loaded = _mean_counts(machine)
    machine.plant.place_mass(0.0)
    span = Span(counts_per_g=(loaded - zero) / MASS_G, u_fraction=U_SPAN, mass_g=MASS_G, wall_s=machine.clock.wall_s())
    setting = ScaleSetting(zero_counts=zero, zeroed_wall_s=machine.clock.wall_s(), span=span)
    machine.take_scale(setting)
    machine.pass_time(SETTLE_S)
    return setting


def _mean_counts(machine: VirtualMachine) -> float:
    """Over the last two seconds, in which nothing happened."""
    machine.pass_time(1.0)
    return statistics.fmean(one.counts for one in machine.plant.conversions())


def prime_all(machine: VirtualMachine, lines: tuple[int, ...]) -> None:
    """Fill these lines into a jug."""
    machine.plant.place_glass(brim_ml=JAR_ML)
    machine.pass_time(SETTLE_S)
    machine.finish(machine.engine.run_lines(LineRequest(kind="prime", lines=lines, jug=True)).operation)
    machine.plant.lift_glass()


def calibrate(
    machine: VirtualMachine, line: int, *, by: str, on_trial: Callable[[FitView], None] | None = None
) -> FitView:
    """Run and weigh what the engine suggests until it knows enough, then accept; the fit."""
    fit = machine.engine.calibrating.fit(line)
    while fit.next_on_s is not None:
        operation, grams = weighed_trial(machine, (line,), fit.next_on_s)
        request = WeighingRequest(operation=operation, line=line, grams=grams, u_grams=U_GRAMS)
        fit = machine.engine.calibrating.weigh(request)
        if on_trial is not None:
            on_trial(fit)
    machine.engine.calibrating.settle(CalibrationRequest(line=line, by=by, sure=True))
    machine.pass_time(READING_S)
    return fit


def learn_sag(machine: VirtualMachine, lines: tuple[int, ...], on_s: float, *, by: str) -> SagView:
    """Run these lines together into one jar and learn how much they slow each other down."""
    operation, grams = weighed_trial(machine, lines, on_s)
    view = machine.engine.calibrating.weigh_sag_trials(
        TogetherRequest(operation=operation, grams=grams, u_grams=U_GRAMS, by=by)
    )
    machine.pass_time(READING_S)
    return view


def weighed_trial(machine: VirtualMachine, lines: tuple[int, ...], on_s: float) -> tuple[str, float]:
    """Run lines for on_s (s) into a fresh jar: the operation, and the grams that came."""
    if machine.plant.report().glass is not None:
        machine.plant.lift_glass()
    machine.plant.place_glass(brim_ml=JAR_ML)
    machine.pass_time(SETTLE_S)
    empty_g = _mean_g(machine)
    operation = machine.engine.trial(TrialRequest(lines=lines, on_s=on_s, jug=True)).operation
    machine.finish(operation)
    machine.pass_time(SETTLE_S)
    grams = max(0.0, _mean_g(machine) - empty_g)
    machine.plant.lift_glass()
    return operation, grams


def _mean_g(machine: VirtualMachine) -> float:
    total_g = 0.0
    for _ in range(READINGS):
        machine.pass_time(READING_S)
        total_g += machine.plant.scale_g()
    return total_g / READINGS


def spot_check(machine: VirtualMachine, line: int, on_s: float, *, adopt: bool = False) -> SpotCheckView:
    """Weigh one run and hold it against the line's calibration."""
    operation, grams = weighed_trial(machine, (line,), on_s)
    request = SpotCheckRequest(operation=operation, line=line, grams=grams, u_grams=U_GRAMS, adopt=adopt)
    view = machine.engine.calibrating.spot_check(request)
    machine.pass_time(READING_S)
    return view
