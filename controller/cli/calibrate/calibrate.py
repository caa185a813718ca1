"""`tundish calibrate`: timed runs, weighed, until the fit is good enough; wrong ones are struck."""

import math
import sys
from pathlib import Path
from typing import Literal

import click
import msgspec

from controller.cli.calibrate.scales import Scale, scale_of, weigh_run
from controller.cli.calibrate.trials_file import read_trials
from controller.cli.client import Engine, RefusedByRules, address
from controller.cli.completion import LINE
from controller.cli.options import Decimal, existing_file, facts_options, show
from controller.cli.records.facts import draw_fit
from controller.errors import Refused, TundishError
from controller.model.requests import CalibrationRequest, TrialsRequest, WeighingRequest
from controller.model.views import FitView
from controller.model.weighing import StrikeRequest


@click.command()
@click.argument("lines", metavar="LINE...", type=LINE, nargs=-1, required=True)
@click.option(
    "--scale",
    type=click.Choice(["by-hand", "bench"]),
    default="by-hand",
    show_default=True,
    help="Type the weights, or read them from the simulated scale.",
)
@click.option(
    "--trials",
    "trials_path",
    type=existing_file,
    help="A .csv file with columns on_s,grams of runs weighed earlier: a calibration of its own; no pump runs.",
)
@click.option("--runs", type=click.IntRange(3, 30), help="At most so many trials a line; more make it surer.")
@click.option("--sure", is_flag=True, help="Accept a file also when it differs by more than 15 % from what was known.")
@click.option("--strike", type=click.IntRange(1), help="Let the open trial of this number not count; no pump runs.")
@click.option("--restore", type=click.IntRange(1), help="Let it count again; no pump runs.")
@click.option("--start-over", is_flag=True, help="Strike all open trials; no pump runs.")
@click.option("--restore-all", is_flag=True, help="Let all open trials count again; no pump runs.")
@click.option("--by", default="", help="Who calibrates, for the record.")
@click.option("--temperature", type=Decimal(0, 40), help="Of liquid and room in C, for the record.")
@facts_options
def calibrate(
    *,
    lines: tuple[int, ...],
    scale: Literal["by-hand", "bench"],
    trials_path: Path | None,
    runs: int | None,
    sure: bool,
    strike: int | None,
    restore: int | None,
    start_over: bool,
    restore_all: bool,
    by: str,
    temperature: float | None,
    run_dir: Path | None,
    as_json: bool,
) -> None:
    """Calibrate each LINE: run its pump for known times, weigh what came out, accept the fit.

    Runs of several lengths tell flow and lag apart; the command says which run would help most next. A trial that was
    weighed wrongly is struck by its number, and restored likewise.
    """
    engine = Engine(run_dir)
    numbers = tuple(dict.fromkeys(lines))
    changes = _changes(numbers[0], strike=strike, restore=restore, start_over=start_over, restore_all=restore_all)
    if len(numbers) > 1 and (changes or trials_path is not None):
        raise click.UsageError("a file, and trials to strike or restore, belong to one line: name one.")
    if changes:
        for change in changes:
            fit = engine.post(address("calibrations", numbers[0], "trials", "strike"), FitView, change)
        show(fit, lambda: draw_fit(fit), as_json=as_json)
        return
    if trials_path is not None:
        rows = read_trials(trials_path)
        request = TrialsRequest(line=numbers[0], trials=rows, accept=True, sure=sure, by=by, temperature_c=temperature)
        fits = [_from_file(engine, request, as_json=as_json)]
    else:
        weighed = _Weighed(engine, run_dir, scale, runs, as_json=as_json)
        fits = [weighed.accepted(line, by=by, temperature_c=temperature) for line in numbers]
    show(fits if len(fits) > 1 else fits[0], lambda: "\n\n".join(map(_draw_accepted, fits)), as_json=as_json)


def _draw_accepted(fit: FitView) -> str:
    return f"{draw_fit(fit)}\nAccepted: line {fit.line} is calibrated."


def _changes(
    line: int, *, strike: int | None, restore: int | None, start_over: bool, restore_all: bool
) -> list[StrikeRequest]:
    changes = []
    if start_over or restore_all:
        if start_over and restore_all:
            raise click.UsageError("--start-over and --restore-all undo each other: give one of them.")
        changes.append(StrikeRequest(line=line, struck=start_over))
    if strike is not None:
        changes.append(StrikeRequest(line=line, trial=strike))
    if restore is not None:
        changes.append(StrikeRequest(line=line, trial=restore, struck=False))
    return changes


def _from_file(engine: Engine, request: TrialsRequest, *, as_json: bool) -> FitView:
    """A calibration from a file; a second yes is asked for where there is somebody to ask."""
    target = address("calibrations", request.line, "trials")
    try:
        return engine.post(target, FitView, request)
    except RefusedByRules as refused:
        if as_json or not sys.stdin.isatty() or any(one.rule != "doubt" for one in refused.refusals):
            raise
        click.echo(f"careful: {refused}")
        if not click.confirm("Put it in force all the same?", default=False):
            raise TundishError("not accepted; nothing of the file is kept.") from None
    return engine.post(target, FitView, msgspec.structs.replace(request, sure=True))


def _sure_of_bench(fit: FitView) -> bool:
    """The simulated scale is read, not typed: that a pump differs from its data is no surprise there."""
    return all(one.about == "change" for one in fit.doubts)


def _sure(fit: FitView) -> bool:
    """Ask whether to accept, and a second time for what is in doubt. Raises when the person does not accept."""
    kept = f"not accepted; the trials are kept. Go on with: tundish calibrate {fit.line}"
    if not click.confirm("Accept this calibration?", default=False):
        raise TundishError(kept)
    for doubt in fit.doubts:
        click.echo(f"careful: {doubt.text}")
    if fit.doubts and not click.confirm("Put it in force all the same?", default=False):
        raise TundishError(kept)
    return bool(fit.doubts)


class _Weighed:
    """Calibrates line after line with one scale; a line is accepted before the next one runs."""

    def __init__(
        self,
        engine: Engine,
        run_dir: Path | None,
        scale: Literal["by-hand", "bench"],
        runs: int | None,
        *,
        as_json: bool,
    ) -> None:
        self._engine, self._run_dir, self._scale = engine, run_dir, scale
        self._runs, self._as_json = runs or math.inf, as_json

    def accepted(self, line: int, *, by: str, temperature_c: float | None) -> FitView:
        """The line's fit, put in force."""
        target = address("calibrations", line)
        is_bench = self._scale == "bench"
        if not is_bench and (self._as_json or not sys.stdin.isatty()):
            raise Refused(
                rule="terminal",
                reason="weighing by hand asks questions, and this is no terminal.",
                remedy="Use --trials FILE.csv, or --scale bench on the simulated machine.",
            )
        fit = self._engine.get(target, FitView)
        if not self._as_json:
            click.echo(f"line {line}, {fit.liquid}" if is_bench else draw_fit(fit))
        with scale_of(self._scale, self._run_dir) as jar:
            fit = self._run_all(fit, jar) if is_bench else self._guided(fit, jar)
        is_sure = _sure_of_bench(fit) if is_bench else _sure(fit)
        self._engine.post(
            target, FitView, CalibrationRequest(line=line, by=by, temperature_c=temperature_c, sure=is_sure)
        )
        return fit

    def _guided(self, fit: FitView, scale: Scale) -> FitView:
        """A person weighs; runs are suggested until enough is known, or until the person has enough."""
        while True:
            fit = self._one_trial(fit, scale)
            click.echo("\n" + draw_fit(fit))
            if not self._goes_on(fit):
                return fit
            if fit.calibration is not None and not click.confirm("Run another trial?", default=True):
                return fit

    def _run_all(self, fit: FitView, scale: Scale) -> FitView:
        """Run what is suggested until enough is known."""
        while self._goes_on(fit):
            if not self._as_json:
                click.echo(f"trial {len(fit.trials) + 1}: {fit.next_on_s:g} s")
            fit = self._one_trial(fit, scale)
        return fit

    def _goes_on(self, fit: FitView) -> bool:
        return fit.next_on_s is not None and len(fit.trials) < self._runs

    def _one_trial(self, fit: FitView, scale: Scale) -> FitView:
        on_s = fit.next_on_s
        if on_s is None:
            raise TundishError(f"line {fit.line} needs no further trial.")
        operation, grams = weigh_run(
            self._engine, (fit.line,), on_s, scale, as_json=self._as_json, expected_g=fit.next_grams
        )
        request = WeighingRequest(operation=operation, line=fit.line, grams=grams, u_grams=scale.u_grams)
        return self._engine.post("weighings", FitView, request)
