"""Commands around a drink: pour, confirm, stop, acknowledge."""

import uuid
from types import NoneType
from typing import Any

import click
from msgspec.structs import replace

from controller.cli.client import RefusedByRules, address
from controller.cli.completion import RECIPE
from controller.cli.following import begin_and_follow
from controller.cli.options import Session, quantity_option, session_options
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
@quantity_option(
    "--wait", "wait_s", "s", "How long to wait until the glass before is taken and an empty one set down.", "60 s"
)
@click.option("--key", default=None, help="A request repeated with the same key never pours twice.")
@session_options
def pour(
    session: Session,
    *,
    recipe: str | None,
    rest_of: str | None,
    empty_glass: bool,
    wait_s: float,
    key: str | None,
    **words: Any,
) -> int:
    """Pour RECIPE, or --dose by --dose what no recipe says. Ctrl-C stops it at once and says what was poured.

    Hand steps are asked for and confirmed with Enter, or with tundish confirm from elsewhere.
    """
    if rest_of is not None:
        recipe = session.engine.get(address("operations", rest_of), OperationView).recipe
    request = asked_for(recipe, words, rest_of=rest_of, key=key or uuid.uuid4().hex, empty_glass=empty_glass)
    if not (empty_glass or rest_of or session.as_json) and glass_is_seen(session.engine):
        request = replace(request, empty_glass=True)
    try:
        return begin_and_follow(session, "pours", request)
    except RefusedByRules as no:
        if not waited_for_glass(session.engine, no, wait_s):
            raise
    return begin_and_follow(session, "pours", request)


@click.command()
@session_options
def confirm(session: Session) -> None:
    """Say that the hand step of the drink under way is done."""
    engine = session.engine
    operation = engine.get("status", Status).operation
    if operation is None or operation.outcome is not None or operation.waiting_for is None:
        raise TundishError("nothing waits for a person now. See tundish status")
    engine.post(address("operations", operation.operation, "confirm"), NoneType)
    waited_for = operation.waiting_for
    session.show({"confirmed": waited_for}, f"Confirmed: {waited_for}.")


@click.command()
@session_options
def stop(session: Session) -> None:
    """Stop every pump now; what is under way ends as stopped."""
    session.engine.post("stop", NoneType)
    session.show({"stopped": True}, "Stopped: every pump is off.")


@click.command()
@session_options
def acknowledge(session: Session) -> None:
    """Clear the latched fault, after seeing to its cause. Nothing starts again by itself."""
    engine = session.engine
    fault = engine.get("status", Status).fault
    if fault is None:
        session.show({"acknowledged": None}, "No fault is latched.")
        return
    engine.post("acknowledge", NoneType, AcknowledgeRequest(cause=fault))
    session.show({"acknowledged": fault}, f"Acknowledged: {fault}.")
