"""`tundish calibrate`: timed runs, weighed, until the fit is good enough."""

import csv
import math
import sys
from pathlib import Path
from typing import Literal

import click

from controller.cli.client import Engine, address
from controller.cli.completion import LINE
from controller.cli.facts import draw_fit
from controller.cli.options import existing_file, facts_options, show
from controller.cli.scales import Scale, scale_of, weigh_run
from controller.errors import FileProblems, Problem, Refused, TundishError
from controller.model.views import (
    CalibrationRequest,
    FitView,
    TrialsRequest,
    WeighedTrial,
    WeighingRequest,
)


@click.command()
@click.argument("line", type=LINE)
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
    help="A .csv file with columns on_s,grams of runs weighed earlier; no pump runs.",
)
@click.option("--by", default="", help="Who calibrates, for the record.")
@click.option("--temperature", type=click.FloatRange(0, 40), help="Of liquid and room in C, for the record.")
@facts_options
def calibrate(
    *,
    line: int,
    scale: Literal["by-hand", "bench"],
    trials_path: Path | None,
    by: str,
    temperature: float | None,
    run_dir: Path | None,
    as_json: bool,
) -> None:
    """Calibrate LINE: run its pump for known times, weigh what came out, accept the fit.

    Runs of several lengths tell flow and lag apart; the command says which run would help most next.
    """
    engine = Engine(run_dir)
    if trials_path is not None:
        request = TrialsRequest(line=line, trials=_read_trials(trials_path))
        fit = engine.post(address("calibrations", line, "trials"), FitView, request)
    else:
        with scale_of(scale, run_dir) as jar:
            run = _run_all if scale == "bench" else _guided
            fit = run(engine, line, jar, as_json=as_json)
    if scale == "by-hand" and trials_path is None and not click.confirm("Accept this calibration?", default=True):
        raise TundishError(f"not accepted; the trials are kept. Go on with: tundish calibrate {line}")
    engine.post(address("calibrations", line), FitView, CalibrationRequest(line=line, by=by, temperature_c=temperature))
    show(fit, lambda: f"{draw_fit(fit)}\nAccepted: line {line} is calibrated.", as_json=as_json)


def _guided(engine: Engine, line: int, scale: Scale, *, as_json: bool) -> FitView:
    """A person weighs; runs are suggested until enough is known, or until the person has enough."""
    if not sys.stdin.isatty() or as_json:
        raise Refused(
            rule="terminal",
            reason="weighing by hand asks questions, and this is no terminal.",
            way_out="Use --trials FILE.csv, or --scale bench on the simulated machine.",
        )
    fit = engine.get(address("calibrations", line), FitView)
    click.echo(draw_fit(fit))
    while True:
        fit = _one_trial(engine, fit, scale, as_json=as_json)
        click.echo("\n" + draw_fit(fit))
        if fit.next_on_s is None:
            return fit
        if fit.calibration is not None and not click.confirm("Run another trial?", default=True):
            return fit


def _run_all(engine: Engine, line: int, scale: Scale, *, as_json: bool) -> FitView:
    """Run what is suggested until enough is known."""
    fit = engine.get(address("calibrations", line), FitView)
    while fit.next_on_s is not None:
        if not as_json:
            click.echo(f"trial {len(fit.trials) + 1}: {fit.next_on_s:g} s")
        fit = _one_trial(engine, fit, scale, as_json=as_json)
    return fit


def _one_trial(engine: Engine, fit: FitView, scale: Scale, *, as_json: bool) -> FitView:
    on_s = fit.next_on_s
    if on_s is None:
        raise TundishError(f"line {fit.line} needs no further trial.")
    operation, grams = weigh_run(engine, (fit.line,), on_s, scale, as_json=as_json)
    request = WeighingRequest(operation=operation, line=fit.line, grams=grams, u_grams=scale.u_grams)
    return engine.post("weighings", FitView, request)


def _read_trials(path: Path) -> tuple[WeighedTrial, ...]:
    """The rows of a .csv file with the columns on_s and grams. Raises FileProblems with every problem."""
    problems: list[Problem] = []

    def note(line: int, text: str) -> None:
        problems.append(Problem(file=str(path), line=line, column=1, text=text))

    found: list[WeighedTrial] = []
    with path.open(newline="", encoding="utf-8-sig") as file:
        rows = csv.DictReader(file, skipinitialspace=True)
        if rows.fieldnames is None or set(rows.fieldnames) != {"on_s", "grams"}:
            note(1, 'the first row must be "on_s,grams".')
            raise FileProblems(problems)
        for row in rows:
            on_s, grams = _number(row["on_s"]), _number(row["grams"])
            if on_s is None or grams is None or len(row) > 2:
                note(rows.line_num, 'not two numbers, seconds and grams, such as "8,18.42".')
            else:
                found.append(WeighedTrial(on_s=on_s, grams=grams))
    if not found and not problems:
        note(1, "there are no trials in it.")
    if problems:
        raise FileProblems(problems)
    return tuple(found)


def _number(text: str | None) -> float | None:
    """A finite number from 0 on; None for anything else."""
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0 else None
