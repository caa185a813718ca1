"""Guided sequences: each step says what a person does, then the machine does its part."""

import sys
import time
from types import NoneType

import click
from msgspec.structs import replace

from controller.cli.client import EngineClient
from controller.cli.following import begin, draw_end, exit_code
from controller.cli.options import Command, Session
from controller.errors import Refused
from controller.model.evening import SequenceView, StepView

LOOK_S = 1.0  # between two looks at the clock while a cleaner stands


def guided_options(command: Command) -> Command:
    """--next and --drop."""
    dropped = click.option("--drop", "is_dropped", is_flag=True, help="Forget it; the lines stay as they are.")
    text = "What the step asked for is done: go on by one step."
    return click.option("--next", "do_next", is_flag=True, help=text)(dropped(command))


def guide(session: Session, target: str, request: object, words: str, *, do_next: bool, is_dropped: bool) -> int:
    """Go through the steps with a person at the terminal; elsewhere one step with do_next, or only show the next.

    target: the address of the sequence. request: what begins it or takes it up. words: the command that does so.
    """
    if is_dropped:
        session.engine.post(f"{target}/drop", NoneType)
        session.show({"dropped": True}, "Dropped. The lines stay as they are: tundish hygiene")
        return 0
    view = session.engine.post(target, SequenceView, request)
    if do_next:
        return _one_step(session, target, view, words)
    if session.as_json or not is_a_person():
        session.show(view, draw_next(view, words))
        return 0
    while view.step is not None:
        click.echo(draw_step(view, view.step))
        if view.step.kind == "wait":
            _wait(view.step.seconds, words)
        elif not click.confirm("Done?", default=True):
            click.echo(f"Paused. Go on with: tundish {words}")
            return 1
        elif code := _do(session, target):
            click.echo(f"Go on with: tundish {words}")
            return code
        view = taken_up(session.engine, view)
    click.echo(draw_next(view, words))
    return 0


def is_a_person() -> bool:
    """Whether somebody sits at a terminal who can be asked."""
    return sys.stdin.isatty()


def taken_up(engine: EngineClient, view: SequenceView) -> SequenceView:
    """The same sequence as it stands now; without a step when it is over."""
    for one in engine.get("sequences", tuple[SequenceView, ...]):
        if (one.kind, one.line) == (view.kind, view.line):
            return one
    return replace(view, step=None, done_lines=view.lines)


def draw_step(view: SequenceView, step: StepView) -> str:
    """What a person does now, and what the machine does then."""
    through = f" ({len(view.done_lines)} of {len(view.lines)} lines done)" if len(view.lines) > 1 else ""
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


def _one_step(session: Session, target: str, view: SequenceView, words: str) -> int:
    if view.step is not None and view.step.kind == "wait":
        raise Refused(
            rule="cleaner_contact",
            reason=f"the cleaner has to stand for another {view.step.seconds / 60:.1f} min.",
            remedy=f"Then: tundish {words} --next",
        )
    code = 0 if view.step is None else _do(session, target)
    after = taken_up(session.engine, view)
    session.show(after, draw_next(after, words))
    return code


def _do(session: Session, target: str) -> int:
    ended = begin(session, f"{target}/next", None)
    session.say(draw_end(ended))
    return exit_code(ended)


def _wait(seconds: float, words: str) -> None:
    """Count down; Ctrl-C leaves, and nothing is lost by that."""
    click.echo(f"  (Ctrl-C pauses; go on with: tundish {words})")
    end_s = time.monotonic() + seconds
    while (left_s := end_s - time.monotonic()) > 0:
        if sys.stdout.isatty():
            click.echo(f"\r  {left_s / 60:5.1f} min left ", nl=False)
        time.sleep(min(LOOK_S, left_s))
    click.echo()
