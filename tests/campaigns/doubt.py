"""Plans as an engine in doubt would send them: too long, too early, from other lines, twice."""

from random import Random

from msgspec.structs import replace

from controller.model.messages import Command, Start, Unhold
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.states import OperationKind
from tests.campaigns.plot import Plot


def altered(command: Command, plot: Plot, rng: Random) -> Command:
    """The same command with other runs; commands without runs stay as they are."""
    if isinstance(command, Start):
        segments = tuple(
            replace(segment, runs=altered_runs(segment.runs, plot, rng)) for segment in command.operation.segments
        )
        return Start(operation=replace(command.operation, segments=segments))
    if isinstance(command, Unhold):
        return replace(command, runs=altered_runs(command.runs, plot, rng))
    return command


def invented(kind: OperationKind, name: str, plot: Plot, rng: Random, *, besides: set[int]) -> Operation:
    """An operation that nobody has asked for, of lines on which their own containers hang."""
    liquids = {on.line: on.liquid for on in plot.book.lines if on.line not in besides}
    lines = rng.sample(list(liquids), min(len(liquids), rng.randint(1, 3)))
    runs = tuple(
        PlannedRun(
            line=line,
            liquid=liquids[line],
            start_s=place * plot.profile.caps.start_gap_s,
            duration_s=rng.choice((0.3, 1.0, 3.0, 10.0, 30.0)),
            volume_ml=1.0,
        )
        for place, line in enumerate(lines)
    )
    if kind is OperationKind.JOG:
        runs = (replace(runs[0], duration_s=min(runs[0].duration_s, plot.profile.caps.jog_s)),)
    return Operation(
        operation=name,
        kind=kind,
        segments=(Segment(runs=runs),),
        glass="tall glass",
        jug=rng.random() < 0.9,
        empty_glass=rng.random() < 0.9,
    )


def altered_runs(runs: tuple[PlannedRun, ...], plot: Plot, rng: Random) -> tuple[PlannedRun, ...]:
    """These runs made longer, earlier, of another line, twice or impossible."""
    if not runs:
        return runs
    match rng.randrange(6):
        case 0:
            return tuple(replace(run, duration_s=run.duration_s * rng.uniform(0.2, 4.0)) for run in runs)
        case 1:
            return tuple(replace(run, start_s=run.start_s * rng.uniform(0.0, 1.5)) for run in runs)
        case 2:
            return tuple(replace(run, start_s=0.0) for run in runs)
        case 3:
            line = rng.choice(plot.profile.lines).line
            return (replace(runs[0], line=line), *runs[1:])
        case 4:
            later_s = max(run.start_s + run.duration_s for run in runs)
            return (*runs, *(replace(run, start_s=run.start_s + later_s) for run in runs))
        case _:
            wrong = replace(runs[0], duration_s=rng.choice((float("inf"), -1.0, 0.0, 1e9)))
            return (wrong, *runs[1:])
