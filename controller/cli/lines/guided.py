"""Guided sequences: each step says what a person does, and then lets the machine do its part."""

import sys
import time
from types import NoneType

import click

from controller.cli.client import Engine
from controller.cli.following import EXIT, begin, draw_end
from controller.cli.options import show
from controller.errors import Refused
from controller.model.evening import SequenceView, StepView
from controller.model.states import Outcome

LOOK_S = 1.0  # between two looks at the clock while a cleaner stands


def guide(engine: Engine, target: str, view: SequenceView, words: str, *, do_next: bool, as_json: bool) -> int:
    """Go through the steps with a person at the terminal; elsewhere one step with do_next, or only tell the next.

    target: the address of the sequence. words: the command that takes it up again.
    """
    if do_next:
        return _one_step(engine, target, view, words, as_json=as_json)
    if as_json or not is_a_person():
        show(view, lambda: draw_next(view, words), as_json=as_json)
        return 0
    while view.step is not None:
        click.echo(draw_step(view, view.step))
        if view.step.kind == "wait":
            _wait(view.step.seconds, words)
        elif not click.confirm("Done?", default=True):
            click.echo(f"Left off there. Take it up again with: tundish {words}")
            return 1
        else:
            code = _do(engine, target, as_json=False)
            if code != 0:
                click.echo(f"Take it up again with: tundish {words}")
                return code
        view = taken_up(engine, view)
    click.echo(draw_next(view, words))
    return 0


def is_a_person() -> bool:
    """Whether somebody sits at a terminal who can be asked."""
    return sys.stdin.isatty()


def taken_up(engine: Engine, view: SequenceView) -> SequenceView:
    """The same sequence as it stands now; without a step when it is over."""
    for one in engine.get("sequences", tuple[SequenceView, ...]):
        if (one.kind, one.line) == (view.kind, view.line):
            return one
    return SequenceView(
        kind=view.kind,
        line=view.line,
        liquid=view.liquid,
        container_ml=view.container_ml,
        begun_wall_s=view.begun_wall_s,
        step=None,
        done_lines=view.lines,
        lines=view.lines,
    )


def drop(engine: Engine, target: str, *, as_json: bool) -> int:
    """Forget the sequence."""
    engine.post(f"{target}/drop", NoneType)
    show({"dropped": True}, lambda: "Dropped. The lines stay as they are: tundish hygiene", as_json=as_json)
    return 0


def draw_step(view: SequenceView, step: StepView) -> str:
    """What a person does now, and what the machine does then."""
    through = f" ({len(view.done_lines)} of {len(view.lines)} lines are through)" if len(view.lines) > 1 else ""
    lines = ", ".join(map(str, step.lines))
    title = click.style(f"\n{step.kind} line{'s' if len(step.lines) > 1 else ''} {lines}{through}", bold=True)
    then = f"wait {step.seconds / 60:.0f} min" if step.kind == "wait" else f"the pumps run for {step.seconds:.0f} s"
    return "\n".join([title, *(f"  {text}" for text in step.asks), f"  Then {then}."])


def draw_next(view: SequenceView, words: str) -> str:
    """The next step, and how to say that it is done."""
    if view.step is None:
        if view.kind == "close":
            return "Every line is clean. The record: tundish hygiene record"
        return (
            f"Line {view.line} holds {view.liquid}. If it was never calibrated with it: tundish calibrate {view.line}"
        )
    return f"{draw_step(view, view.step)}\nWhen that is done: tundish {words} --next"


def _one_step(engine: Engine, target: str, view: SequenceView, words: str, *, as_json: bool) -> int:
    if view.step is not None and view.step.kind == "wait":
        raise Refused(
            rule="cleaner_contact",
            reason=f"the cleaner has to stand for another {view.step.seconds / 60:.1f} min.",
            remedy=f"Then: tundish {words} --next",
        )
    code = 0 if view.step is None else _do(engine, target, as_json=as_json, is_shown=not as_json)
    after = taken_up(engine, view)
    show(after, lambda: draw_next(after, words), as_json=as_json)
    return code


def _do(engine: Engine, target: str, *, as_json: bool, is_shown: bool = True) -> int:
    ended = begin(engine, f"{target}/next", None, as_json=as_json)
    if is_shown:
        click.echo(draw_end(ended))
    return 0 if ended.outcome is Outcome.DONE else EXIT[ended.outcome] if ended.outcome is not None else 1


def _wait(seconds: float, words: str) -> None:
    """Count down; Ctrl-C leaves, and nothing is lost by that."""
    click.echo(f"  (Ctrl-C leaves; it goes on with: tundish {words})")
    end_s = time.monotonic() + seconds
    while (left_s := end_s - time.monotonic()) > 0:
        if sys.stdout.isatty():
            click.echo(f"\r  {left_s / 60:5.1f} min left ", nl=False)
        time.sleep(min(LOOK_S, left_s))
    click.echo()
