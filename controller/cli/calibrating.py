"""`tundish calibrate`: timed runs, weighed, until the fit is good enough."""

import csv
import math
import statistics
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

import click

from controller.cli.client import Engine, address
from controller.cli.facts import draw_fit
from controller.cli.following import begin
from controller.cli.options import existing_file, facts_options, show
from controller.cli.places import BENCH, run_dir_to_use
from controller.errors import FileProblems, Problem, Refused, TundishError
from controller.model.states import Outcome
from controller.model.views import (
    CalibrationRequest,
    FitView,
    OperationView,
    TrialRequest,
    TrialsRequest,
    WeighedTrial,
    WeighingRequest,
)

if TYPE_CHECKING:
    from controller.bench.client import BenchClient

DRAIN_S = 1.5  # wait for the last drops before a scale is read
STEADY_G = 0.05  # means this close together are a steady reading
READINGS, READING_S = 5, 0.1
LONGEST_S = 15.0
JAR_ML = 2000.0


class Scale(Protocol):
    """Weighs what one run puts into the jar."""

    u_grams: float  # standard uncertainty of what `after` returns

    def before(self, line: int, on_s: float) -> None:
        """Get ready for a run."""

    def after(self) -> float:
        """Grams that the run put into the jar."""


@click.command()
@click.argument("line", type=click.IntRange(1, 64))
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
@facts_options
def calibrate(
    *,
    line: int,
    scale: Literal["by-hand", "bench"],
    trials_path: Path | None,
    by: str,
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
    elif scale == "bench":
        from controller.bench.client import BenchClient

        with BenchClient(run_dir_to_use(run_dir) / BENCH) as client:
            fit = _run_all(engine, line, _OfTheBench(client), as_json=as_json)
    else:
        fit = _guided(engine, line, as_json=as_json)
    if scale == "by-hand" and trials_path is None and not click.confirm("Accept this calibration?", default=True):
        raise TundishError(f"not accepted; the trials are kept. Go on with: tundish calibrate {line}")
    engine.post(address("calibrations", line), FitView, CalibrationRequest(line=line, by=by))
    show(fit, lambda: f"{draw_fit(fit)}\nAccepted: line {line} is calibrated.", as_json=as_json)


class _ByHand:
    """A person with a kitchen scale."""

    u_grams = 0.06  # a display of 0.1 g steps, read twice: 0.1 / sqrt(12) * sqrt(2), and the last drop

    def before(self, line: int, on_s: float) -> None:
        click.echo(f"\nSet the empty jar on the scale, press tare, and put it under the outlet of line {line}.")
        click.prompt(f"Enter runs it for {on_s:g} s", default="", show_default=False, prompt_suffix=" ")

    def after(self) -> float:
        return float(click.prompt("Weigh the jar. Grams", type=click.FloatRange(0, 10_000)))


class _OfTheBench:
    """The scale under the simulated outlet, with a jar that is set there fresh for each run."""

    u_grams = 0.03  # two means of READINGS readings with 0.03 g noise each, and the display's step

    def __init__(self, client: "BenchClient") -> None:
        self._client = client
        self._empty_g = 0.0
        if client.report().glass is not None:
            client.lift_glass()

    def before(self, line: int, on_s: float) -> None:
        self._client.place_glass(brim_ml=JAR_ML)
        self._empty_g = self._steady_g()

    def after(self) -> float:
        time.sleep(DRAIN_S)
        grams = self._steady_g() - self._empty_g
        self._client.lift_glass()
        return max(0.0, grams)

    def _steady_g(self) -> float:
        """The mean of READINGS readings, once two such means agree."""
        deadline_s, last_g = time.monotonic() + LONGEST_S, math.inf
        while time.monotonic() < deadline_s:
            now_g = statistics.fmean(self._readings())
            if abs(now_g - last_g) <= STEADY_G:
                return now_g
            last_g = now_g
        raise TundishError(f"the scale does not come to rest within {LONGEST_S:.0f} s.")

    def _readings(self) -> Iterator[float]:
        for _ in range(READINGS):
            time.sleep(READING_S)
            yield self._client.scale_g()


def _guided(engine: Engine, line: int, *, as_json: bool) -> FitView:
    """A person weighs; runs are suggested until enough is known, or until the person has enough."""
    if not sys.stdin.isatty() or as_json:
        raise Refused(
            rule="terminal",
            reason="weighing by hand asks questions, and this is no terminal.",
            way_out="Use --trials FILE.csv, or --scale bench on the simulated machine.",
        )
    fit = engine.get(address("calibrations", line), FitView)
    scale = _ByHand()
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
    scale.before(fit.line, on_s)
    view = begin(engine, "trials", TrialRequest(lines=(fit.line,), on_s=on_s, jug=True), as_json=as_json)
    _require_done(view)
    request = WeighingRequest(operation=view.operation, line=fit.line, grams=scale.after(), u_grams=scale.u_grams)
    return engine.post("weighings", FitView, request)


def _require_done(view: OperationView) -> None:
    if view.outcome != Outcome.DONE:
        raise TundishError(f"the trial ended as {view.outcome} ({view.reason}): it cannot be weighed. Run it again.")


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
