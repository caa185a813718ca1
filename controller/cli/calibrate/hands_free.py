"""Calibrating and checking lines on the machine's own scale: the machine works, a person sets the jar down."""

import time
from types import NoneType

import click

from controller.cli.options import Session, quantity_option, table
from controller.model.hands_free import HandsFreeRequest, HandsFreeView

LEAST_S = 0.05  # between two steps

all_option = click.option(
    "--all",
    "all_lines",
    is_flag=True,
    help="Every line that has a container, on the machine's own scale: nobody types.",
)
jar_option = quantity_option("--jar", "jar_ml", "mL", 'What the jar on the scale takes: "2 L" if left out.')
JAR_ML, MOST_ML = 2000.0, 250.0  # unless stated


def on_the_scale(session: Session, request: HandsFreeRequest, again: str) -> int:
    """Go from step to step until all lines are through; 1 when a line is not. again: the command that takes it up.

    Ctrl-C stops the pump that runs; what has been weighed stays.
    """
    engine = session.engine
    view = engine.post("hands-free", HandsFreeView, request)
    said, told = _say(session, view, ""), _remark(session, view, 0)
    try:
        while view.state != "done":
            time.sleep(max(view.again_s, LEAST_S))
            view = engine.post("hands-free/next", HandsFreeView)
            said, told = _say(session, view, said), _remark(session, view, told)
    except KeyboardInterrupt:
        engine.post("stop", NoneType)
        session.say(f"Stopped. Take it up again with: {again}")
        return 1
    session.show(view, _draw)
    return 1 if any(one.state == "failed" for one in view.lines) else 0


def _say(session: Session, view: HandsFreeView, said: str) -> str:
    """Say what is new; what was said."""
    line = next((one for one in view.lines if one.line == view.line), None)
    text = view.text if line is None or view.state != "trial" else f"{view.text[:-1]} (trial {line.trials + 1})."
    if view.state not in ("weighing", "done") and text != said:
        session.say(click.style(text, bold=True) if view.state in ("jar", "empty") else text)
        return text
    return said


def _remark(session: Session, view: HandsFreeView, told: int) -> int:
    """Say the remarks that are new; how many there are."""
    for one in view.remarks[told:]:
        session.say(one)
    return len(view.remarks)


def _draw(view: HandsFreeView) -> str:
    rows = [(str(one.line), one.liquid, one.state, str(one.trials), one.says) for one in view.lines]
    parts = [table(("line", "liquid", "state", "trials", ""), rows)]
    took = f"{view.running_s / 60:.1f} min, the jar set down {view.touches} time(s), {view.in_jar_g:.0f} g in it"
    return "\n".join([*parts, f"{view.text} {took}."])
