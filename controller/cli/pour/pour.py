"""Commands around a drink: pour, confirm, stop, acknowledge."""

import uuid
from pathlib import Path
from types import NoneType
from typing import Any

import click
from msgspec.structs import replace

from controller.cli.client import Engine, RefusedByRules, address
from controller.cli.completion import RECIPE
from controller.cli.following import begin_and_follow
from controller.cli.options import facts_options, quantity, show
from controller.cli.pour.drink_options import asked_for, drink_options
from controller.cli.pour.glass import glass_is_seen, waited_for_glass
from controller.errors import TundishError
from controller.model.requests import AcknowledgeRequest
from controller.model.views import OperationView, Status


@click.command()
@click.argument("recipe", type=RECIPE, required=False)
@drink_options
@click.option("--rest", "rest_of", metavar="OPERATION", help="Pour what this serving, ended early, still owed.")
@click.option("--empty-glass", is_flag=True, help="An empty glass stands under the outlet: do not ask.")
@click.option(
    "--wait",
    "wait_s",
    metavar="TIME",
    default="60 s",
    show_default=True,
    callback=quantity("s"),
    help="How long to wait until the glass before is taken and an empty one set down.",
)
@click.option("--key", default=None, help="A request repeated with the same key never pours twice.")
@facts_options
def pour(
    *,
    run_dir: Path | None,
    recipe: str | None,
    rest_of: str | None,
    empty_glass: bool,
    wait_s: float,
    key: str | None,
    as_json: bool,
    **words: Any,
) -> int:
    """Pour RECIPE, or --dose by --dose what no recipe says. Ctrl-C stops it at once and says what was poured.

    Hand steps are asked for and confirmed with Enter, or with tundish confirm from elsewhere.
    """
    engine = Engine(run_dir)
    if rest_of is not None:
        recipe = engine.get(address("operations", rest_of), OperationView).recipe
    request = asked_for(recipe, words, rest_of=rest_of, key=key or uuid.uuid4().hex, empty_glass=empty_glass)
    if not (empty_glass or rest_of or as_json) and glass_is_seen(engine):
        request = replace(request, empty_glass=True)
    try:
        return begin_and_follow(engine, "pours", request, as_json=as_json)
    except RefusedByRules as no:
        if not waited_for_glass(engine, no, wait_s):
            raise
    return begin_and_follow(engine, "pours", request, as_json=as_json)


@click.command()
@facts_options
def confirm(run_dir: Path | None, as_json: bool) -> None:
    """Say that the hand step of the drink under way is done."""
    engine = Engine(run_dir)
    operation = engine.get("status", Status).operation
    if operation is None or operation.outcome is not None or operation.waiting_for is None:
        raise TundishError("nothing waits for a person now. See tundish status")
    engine.post(address("operations", operation.operation, "confirm"), NoneType)
    waited_for = operation.waiting_for
    show({"confirmed": waited_for}, lambda: f"Confirmed: {waited_for}.", as_json=as_json)


@click.command()
@facts_options
def stop(run_dir: Path | None, as_json: bool) -> None:
    """Stop every pump now; what is under way ends as stopped."""
    Engine(run_dir).post("stop", NoneType)
    show({"stopped": True}, lambda: "Stopped: every pump is off.", as_json=as_json)


@click.command()
@facts_options
def acknowledge(run_dir: Path | None, as_json: bool) -> None:
    """Clear the latched fault, after seeing to its cause. Nothing starts again by itself."""
    engine = Engine(run_dir)
    fault = engine.get("status", Status).fault
    if fault is None:
        show({"acknowledged": None}, lambda: "No fault is latched.", as_json=as_json)
        return
    engine.post("acknowledge", NoneType, AcknowledgeRequest(cause=fault))
    show({"acknowledged": fault}, lambda: f"Acknowledged: {fault}.", as_json=as_json)
