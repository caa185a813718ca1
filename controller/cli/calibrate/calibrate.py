"""`tundish calibrate`: timed runs, weighed, until the fit is good enough; wrong ones are struck."""

import math
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import click
import msgspec

from controller.cli.calibrate.hands_free import JAR_ML, MOST_ML, all_option, jar_option, on_the_scale
from controller.cli.calibrate.scales import MACHINE, JarScale, any_scale_option, scale_of, weigh_run
from controller.cli.calibrate.trials_file import read_trials
from controller.cli.client import RefusedByRules, address
from controller.cli.completion import LINE
from controller.cli.options import Decimal, Session, existing_file, quantity_option, session_options
from controller.cli.records.facts import draw_fit
from controller.errors import Refused, TundishError
from controller.model.hands_free import HandsFreeRequest
from controller.model.requests import CalibrationRequest, TrialsRequest, WeighingRequest
from controller.model.views import FitView
from controller.model.weighing import StrikeRequest


@click.command()
@click.argument("lines", metavar="[LINE...]", type=LINE, nargs=-1)
@all_option
@jar_option
@quantity_option("--most", "most_ml", "mL", 'Of each line at the most, with --all: "250 mL".')
@any_scale_option
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
@session_options
def calibrate(
    session: Session,
    *,
    lines: tuple[int, ...],
    all_lines: bool,
    jar_ml: float | None,
    most_ml: float | None,
    scale: str,
    trials_path: Path | None,
    runs: int | None,
    sure: bool,
    by: str,
    temperature: float | None,
    **words: Any,
) -> int:
    """Calibrate each LINE: run its pump for known times, weigh what came out, accept the fit.

    The command says which run would help most next; a trial weighed wrongly is struck by its number, or restored. With
    --all, or --scale machine, the machine weighs by itself and asks for an empty jar only; stopped, it is taken up.
    """
    numbers = tuple(dict.fromkeys(lines))
    if all_lines or scale == MACHINE:
        _require_nothing_by_hand(trials_path, *words.values())
        asked = HandsFreeRequest(jar_ml=jar_ml or JAR_ML, lines=numbers, most_ml=most_ml or MOST_ML, by=by)
        return on_the_scale(session, asked, "tundish calibrate --all")
    if not numbers:
        raise click.UsageError("name a LINE, or calibrate --all lines on the machine's own scale.")
    changes = _changes(numbers[0], **words)
    if len(numbers) > 1 and (changes or trials_path is not None):
        raise click.UsageError("a file, and trials to strike or restore, belong to one line: name one.")
    if changes:
        return _strike(session, numbers[0], changes)
    request_of = partial(CalibrationRequest, by=by, temperature_c=temperature)
    if trials_path is not None:
        request = partial(TrialsRequest, accept=True, sure=sure, by=by, temperature_c=temperature)
        fits = [_from_file(session, request(line=numbers[0], trials=read_trials(trials_path)))]
    else:
        fits = [_weighed(session, scale, line, runs or math.inf, request_of) for line in numbers]
    session.show(fits if len(fits) > 1 else fits[0], "\n\n".join(map(_draw_accepted, fits)))
    return 0


def _require_nothing_by_hand(*words: object) -> None:
    if any(words):
        raise click.UsageError("a file, and trials to strike or restore, belong to one line that is weighed by hand.")


def _strike(session: Session, line: int, changes: list[StrikeRequest]) -> int:
    target = address("calibrations", line, "trials", "strike")
    session.show([session.engine.post(target, FitView, change) for change in changes][-1], draw_fit)
    return 0


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


def _from_file(session: Session, request: TrialsRequest) -> FitView:
    """A calibration from a file; a second yes is asked for where there is somebody to ask."""
    target = address("calibrations", request.line, "trials")
    try:
        return session.engine.post(target, FitView, request)
    except RefusedByRules as refused:
        if session.as_json or not sys.stdin.isatty() or any(one.rule != "doubt" for one in refused.refusals):
            raise
        click.echo(f"careful: {refused}")
        if not click.confirm("Put it in force all the same?", default=False):
            raise TundishError("not accepted; nothing of the file is kept.") from None
    return session.engine.post(target, FitView, msgspec.structs.replace(request, sure=True))


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


def _weighed(
    session: Session, scale: str, line: int, most_runs: float, request: Callable[..., CalibrationRequest]
) -> FitView:
    """The line's fit from weighed runs, put in force before another line runs."""
    is_bench = scale == "bench"
    if not is_bench and (session.as_json or not sys.stdin.isatty()):
        raise Refused(
            rule="terminal",
            reason="weighing by hand asks questions, and this is no terminal.",
            remedy="Use --trials FILE.csv, or --scale bench on the simulated machine.",
        )
    target = address("calibrations", line)
    fit = session.engine.get(target, FitView)
    session.say(f"line {line}, {fit.liquid}" if is_bench else draw_fit(fit))
    with scale_of(scale, session.run_dir) as jar:
        fit = (_run_all if is_bench else _guided)(session, fit, jar, most_runs)
    is_sure = _sure_of_bench(fit) if is_bench else _sure(fit)
    session.engine.post(target, FitView, request(line=line, sure=is_sure))
    return fit


def _guided(session: Session, fit: FitView, scale: JarScale, most_runs: float) -> FitView:
    """A person weighs; runs are suggested until enough is known, or until the person has enough."""
    while True:
        fit = _one_trial(session, fit, scale)
        click.echo("\n" + draw_fit(fit))
        if not _goes_on(fit, most_runs):
            return fit
        if fit.calibration is not None and not click.confirm("Run another trial?", default=True):
            return fit


def _run_all(session: Session, fit: FitView, scale: JarScale, most_runs: float) -> FitView:
    """Run what is suggested until enough is known."""
    while _goes_on(fit, most_runs):
        session.say(f"trial {len(fit.trials) + 1}: {fit.next_on_s:g} s")
        fit = _one_trial(session, fit, scale)
    return fit


def _goes_on(fit: FitView, most_runs: float) -> bool:
    return fit.next_on_s is not None and len(fit.trials) < most_runs


def _one_trial(session: Session, fit: FitView, scale: JarScale) -> FitView:
    if fit.next_on_s is None:
        raise TundishError(f"line {fit.line} needs no further trial.")
    operation, grams = weigh_run(session, (fit.line,), fit.next_on_s, scale, expected_g=fit.next_grams)
    request = WeighingRequest(operation=operation, line=fit.line, grams=grams, u_grams=scale.u_grams)
    return session.engine.post("weighings", FitView, request)
