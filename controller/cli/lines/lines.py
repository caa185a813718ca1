"""Commands for single lines: assign, jog, prime, purge, clean, rinse."""

import sys
from typing import Literal

import click

from controller.cli.client import address
from controller.cli.completion import LINE, LIQUID
from controller.cli.following import begin, begin_and_follow, draw_end, exit_code
from controller.cli.options import Session, quantity, quantity_option, session_options, table
from controller.errors import Refused
from controller.model.requests import AssignRequest, JogAnswerRequest, JogRequest, LineRequest
from controller.model.states import Outcome
from controller.model.views import JogView

Kind = Literal["prime", "purge", "clean", "rinse"]


@click.command()
@click.argument("line", type=LINE)
@click.argument("liquid", type=LIQUID)
@click.argument("container_ml", metavar="CONTAINER", callback=quantity("mL"))
@session_options
def assign(session: Session, *, line: int, liquid: str, container_ml: float) -> None:
    """Say that a full CONTAINER ("750 mL", "1.5 L") of LIQUID now hangs on LINE."""
    request = AssignRequest(line=line, liquid=liquid, container_ml=container_ml)
    session.engine.put(address("lines", line), request)
    session.show(request, f"Line {line} draws {liquid}, {container_ml:g} mL of it.")


@click.command()
@click.argument("line", type=LINE)
@quantity_option("--for", "on_s", "s", "How long.", "0.5 s")
@click.option("--jug", is_flag=True, help="An empty jug stands under the outlet; without one it counts as a drink.")
@session_options
def jog(session: Session, *, line: int, on_s: float, jug: bool) -> int:
    """Run the pump of LINE briefly, and ask whether the right one moved the right way."""
    engine = session.engine
    rotation = {one.line: one.rotation for one in engine.get("jogs", tuple[JogView, ...])}.get(line, "forwards")
    view = begin(session, "jogs", JogRequest(line=line, on_s=on_s, jug=jug))
    answer: bool | None = None
    if not session.as_json:
        click.echo(draw_end(view))
        if sys.stdin.isatty() and view.outcome == Outcome.DONE:
            answer = click.confirm(f"Did line {line} move, and no other, {rotation}, liquid towards the glass?")
            remark = "" if answer else click.prompt("What did you see", default="", show_default=False)
            request = JogAnswerRequest(operation=view.operation, is_right=answer, remark=remark[:200])
            engine.post("jogs/answers", tuple[JogView, ...], request)
    session.show({"operation": view, "as_expected": answer}, _advice(answer))
    return 1 if answer is False else exit_code(view)


def _advice(answer: bool | None) -> str:
    if answer is not False:
        return "Noted." if answer else "Look: did the right pump move, with its liquid towards the glass?"
    return (
        "Noted. If another pump moved, relay channels are swapped in the profile. If none moved, check its fuse and "
        "wires.\nIf it turned the wrong way, swap the two wires of this pump."
    )


@click.command()
@session_options
def commissioned(session: Session) -> None:
    """Show which lines somebody has seen move the right way."""
    session.show(session.engine.get("jogs", tuple[JogView, ...]), _draw_jogs)


def _draw_jogs(lines: tuple[JogView, ...]) -> str:
    seen = {True: "right", False: "WRONG", None: "not jogged yet"}
    rows = [(str(o.line), str(o.channel), str(o.gpio), o.rotation, seen[o.is_right], o.remark) for o in lines]
    return table(("line", "channel", "GPIO", "turns", "seen", "remark"), rows)


def _wetting(kind: Kind, text: str, vessel: str) -> click.Command:
    """The command that runs whole lines into a jug."""

    @click.command(name=kind, help=text)
    @click.argument("lines", metavar="LINE...", type=LINE, nargs=-1, required=True)
    @click.option("--jug", is_flag=True, help="An empty jug stands under the outlet: do not ask.")
    @click.option("--in-air", is_flag=True, hidden=kind != "purge", help="The suction tubes hang in air.")
    @session_options
    def command(session: Session, *, lines: tuple[int, ...], jug: bool, in_air: bool) -> int:
        numbers = tuple(dict.fromkeys(lines))
        # The question that is asked without --jug is about the tubes, too.
        in_air = kind == "purge" and (in_air or not jug)
        confirmed = jug or _jug_confirmed(kind, numbers, vessel)
        request = LineRequest(kind=kind, lines=numbers, jug=confirmed, in_air=in_air)
        return begin_and_follow(session, "line-operations", request)

    return command


def _jug_confirmed(kind: Kind, lines: tuple[int, ...], vessel: str) -> bool:
    """Ask for the jug on a terminal; raises Refused where nobody can be asked, or when the answer is no."""
    if sys.stdin.isatty():
        plural = "s" if len(lines) > 1 else ""
        if click.confirm(f"{kind} line{plural} {', '.join(map(str, lines))}: {vessel} Go on?"):
            return True
        raise Refused(rule="jug", reason="there is no jug under the outlet.", remedy="Put one there and try again.")
    raise Refused(
        rule="jug",
        reason=f"{kind} runs liquid through, and nobody has said that a jug stands under the outlet.",
        remedy="Put one there and add --jug.",
    )


prime = _wetting("prime", "Fill each LINE with its liquid, up to the outlet.", "a jug stands under the outlet?")
purge = _wetting(
    "purge",
    "Empty each LINE into a jug; its suction tube must hang in air.",
    "the suction tubes hang in air and a jug stands under the outlet?",
)
clean = _wetting(
    "clean",
    "Fill each LINE with cleaner; its suction tube must hang in cleaner.",
    "the suction tubes hang in cleaner and a jug stands under the outlet?",
)
rinse = _wetting(
    "rinse",
    "Rinse each LINE; its suction tube must hang in clean water.",
    "the suction tubes hang in clean water and a jug stands under the outlet?",
)
