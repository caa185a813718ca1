"""An empty glass under the outlet: waited for where a contact sees it, asked for where none does."""

import sys
import time

import click

from controller.cli.client import EngineClient, RefusedByRules
from controller.model.views import Status

LOOK_S = 0.2


def glass_is_seen(engine: EngineClient) -> bool:
    """Ask a person on a terminal whether an empty glass stands there; not where a contact sees it."""
    if not sys.stdin.isatty():
        return False
    inputs = engine.get("status", Status).inputs
    if inputs is None or inputs.glass_present is not None:
        return False
    return click.confirm("Does an empty glass stand under the outlet?")


def waited_for_glass(engine: EngineClient, no: RefusedByRules, wait_s: float) -> bool:
    """Whether the glass, which is all that speaks against the drink, was taken and another set down in time."""
    if {one["rule"] for one in no.refusals} != {"fresh_glass"}:
        return False
    end_s, was_told = time.monotonic() + wait_s, False
    while time.monotonic() < end_s:
        inputs = engine.get("status", Status).inputs
        if inputs is None or inputs.glass_present is None:
            return False
        if inputs.glass_present and inputs.fresh_glass:
            return True
        if not was_told:
            click.echo("Take the finished glass and set an empty one down.", err=True)
            was_told = True
        time.sleep(LOOK_S)
    return False
