"""Commands that only show: status, calibration."""

import time
from pathlib import Path
from types import NoneType
from typing import NoReturn

import click
import msgspec

from controller.cli.client import address
from controller.cli.completion import LINE
from controller.cli.options import Session, file_option, moment, session_options, table
from controller.errors import FaultLatched, Unreachable
from controller.metering.flow_band import as_written, commissioned
from controller.model.calibration import Calibration
from controller.model.learning import LearnedPoint
from controller.model.messages import InputReport
from controller.model.scale import DOUBTS
from controller.model.views import FitView, LineView, OperationView, Status
from controller.model.wiring import GlassContact, StopContact, TrayContact, role_of


@click.command()
@click.option("--follow", is_flag=True, help="Show every change until interrupted.")
@session_options
def status(session: Session, *, follow: bool) -> int:
    """Show the machine at a glance.

    Ends with 4 when a fault is latched, with 3 when engine or guard cannot be reached.
    """
    engine = session.engine
    if follow:
        _mirror(session)
    now = engine.get("status", Status)
    session.show(now, draw_status)
    if not now.guard_connected:
        return Unreachable.exit_code
    return 0 if now.fault is None else FaultLatched.exit_code


@click.command()
@click.argument("line", type=LINE)
@file_option("--picture", "picture", "Also draw residuals and error against dose into this .svg or .png file.")
@click.option("--budget", is_flag=True, help="Show where the uncertainty of a dose comes from instead.")
@click.option("--past", is_flag=True, help="Show every calibration the line ever had instead.")
@click.option("--set-back", is_flag=True, help="First give up what weighed servings have taught since it was taken.")
@session_options
def calibration(session: Session, *, line: int, picture: Path | None, budget: bool, past: bool, set_back: bool) -> None:
    """Show the calibration of LINE and the error to expect of its doses.

    The picture also shows the path of the flow over the weighed servings since then.
    """
    if set_back:
        session.engine.post(address("calibrations", line, "set-back"), NoneType)
    if past:
        all_of_it = session.engine.get(address("calibrations", line, "history"), tuple[Calibration, ...])
        session.show(all_of_it, draw_calibrations)
        return
    fit = session.engine.get(address("calibrations", line), FitView)
    if budget:
        session.show(fit.budget, draw_budget(fit))
        return
    session.show(fit, draw_fit)
    if picture is not None:
        from controller.cli.pictures.calibration import draw_calibration

        learned = session.engine.get(address("calibrations", line, "learned"), tuple[LearnedPoint, ...])
        draw_calibration(fit, learned, picture)


def draw_calibrations(past: tuple[Calibration, ...]) -> str:
    """Every calibration a line ever had, oldest first."""
    if not past:
        return "This line was never calibrated."
    rows = [
        (
            moment(one.taken_wall_s),
            one.taken_by or "-",
            one.liquid,
            f"{one.flow_ml_s:.4f} mL/s",
            f"{one.lag_s:+.3f} s",
            f"{100 * one.sag_per_a:.2f} %/A",
            "-" if one.temperature_c is None else f"{one.temperature_c:g} C",
            one.note,
        )
        for one in past
    ]
    return table(("taken", "by", "liquid", "flow", "lag", "sag", "at", "how"), rows)


def draw_status(now: Status) -> str:
    """Machine, contacts, what is under way, and every line."""
    state = "not known" if now.state is None else str(now.state)
    parts = [click.style(f"{now.machine}, {now.book}: {state}", bold=True)]
    if now.fault is not None:
        parts.append(click.style(f"FAULT: {now.fault}. See to its cause, then: tundish acknowledge", fg="red"))
    if not now.guard_connected:
        parts.append(click.style("The guard cannot be reached: no pump can run. Start it: tundish guard", fg="red"))
    parts += [click.style(f"stock and history are not certain: {one}", fg="yellow") for one in now.doubts]
    if now.inputs is not None:
        parts.append(", ".join([*_contacts(now.inputs), *_scale(now)]))
    if now.operation is not None:
        parts.append(one_line(now.operation))
    header = ("line", "liquid", "in the tube", "left", "flow", "to do")
    parts.append("\n" + table(header, map(_line_cells, now.lines)))
    if now.next_step:
        parts.append(f"\nnext: {now.next_step}")
    return "\n".join(parts)


def _scale(now: Status) -> list[str]:
    """What the scale shows, or why it cannot be believed."""
    if now.scale is None:
        return []
    if now.scale.doubt or now.scale.load_g is None:
        return [click.style(f"scale: {DOUBTS[now.scale.doubt]}", fg="yellow")]
    return [f"scale {now.scale.load_g:.0f} g"]


def draw_fit(fit: FitView) -> str:
    """Trials, the fit, and the error to expect at each dose."""
    parts = [click.style(f"line {fit.line}, {fit.liquid} ({fit.density_kg_m3:.1f} kg/m3)", bold=True)]
    if fit.design and not fit.behind:
        parts.append(
            f"a guide, by the pump's data, for doses of 5 to 250 mL within the legal tolerance: {fit.design} "
            "What is weighed decides which run is next."
        )
    if fit.trials or fit.behind:
        rows = [
            (
                str(number),
                f"{one.on_s:.2f} s",
                f"{one.grams:.2f} g",
                f"{one.volume_ml:.2f} mL",
                "" if one.residual_ml is None else f"{one.residual_ml:+z.2f} mL",
                "" if one.state == "counts" else one.state,
            )
            for number, one in enumerate(fit.trials or fit.behind, 1)
        ]
        parts.append(table(("trial", "ran", "weighed", "volume", "off the fit", ""), rows))
    if fit.calibration is None:
        parts.append("Not calibrated yet.")
    else:
        parts.extend(_calibration_lines(fit, fit.calibration))
    parts.extend(f"careful: {one.text}" for each in (fit.warnings, fit.doubts) for one in each)
    if fit.next_on_s is not None and not fit.behind:
        parts.append(f"A run of {fit.next_on_s:.1f} s would help most next.")
    return "\n".join(parts)


def draw_budget(fit: FitView) -> str:
    """The uncertainty of one dose, contribution by contribution, as the GUM has it."""
    budget = fit.budget
    if budget is None:
        return f"Line {fit.line} has no trials behind it, so there is nothing to take apart. Calibrate it first."
    rows = [
        (one.source, one.evaluation, f"{one.u_ml:.3f} mL", f"{100 * one.u_ml**2 / budget.u_ml**2:.0f} %")
        for one in budget.lines
    ]
    expanded_ml = budget.k * budget.u_ml
    freedom = f"{budget.degrees_of_freedom:.0f}" if budget.degrees_of_freedom < 1000 else "many"
    return "\n".join(
        (
            click.style(f"line {fit.line}, {fit.liquid}: uncertainty of a dose of {budget.dose_ml:g} mL", bold=True),
            f"weighed on: {fit.scale}",
            table(("source", "type", "u", "of the variance"), rows),
            f"combined standard uncertainty u = {budget.u_ml:.3f} mL, {freedom} effective degrees of freedom",
            f"expanded uncertainty U = k u = {budget.k:.2f} x {budget.u_ml:.3f} mL = {expanded_ml:.2f} mL (95 %)",
        )
    )


def one_line(view: OperationView) -> str:
    """An operation in a sentence."""
    what = f"{view.kind} {view.recipe or ''}".strip() + (f" x {view.times:g}" if view.times != 1 else "")
    if view.refused:
        return f"last asked: {what}, refused by {view.refused[0].rule}: {view.refused[0].reason}"
    if view.outcome is not None:
        return f"last: {what}, {view.outcome}" + (f" ({view.reason})" if view.reason else "")
    if view.waiting_for is not None:
        return f"under way: {what}, waits for: {view.waiting_for}"
    return f"under way: {what}, {view.elapsed_s:.1f} of {view.planned_s:.1f} s"


def _mirror(session: Session) -> NoReturn:
    """A line for every change of what one line can say; as JSON every change as one line. Ends with the engine."""
    said: dict[str, object] = {}
    for name, document in session.engine.events():
        if name == "progress":
            continue
        news = document if session.as_json else _news(name, document)
        if news != said.get(name):
            said[name] = news
            click.echo(news if session.as_json else f"{time.strftime('%H:%M:%S')}  {news!s}")
    raise Unreachable("the engine went away. See tundish status")


def _news(name: str, document: bytes) -> str:
    """What an event says, in one line."""
    if name == "operation":
        return one_line(msgspec.json.decode(document, type=OperationView))
    now = msgspec.json.decode(document, type=Status)
    state = "guard cannot be reached" if now.state is None else str(now.state)
    fault = "" if now.fault is None else f", FAULT: {now.fault}"
    return state + fault + ("" if now.inputs is None else f" ({', '.join(_contacts(now.inputs))})")


def _contacts(inputs: InputReport) -> list[str]:
    active: dict[str, bool | None] = {
        StopContact.role.name: inputs.stop_pressed,
        GlassContact.role.name: inputs.glass_present,
        TrayContact.role.name: inputs.tray_full,
        **inputs.others,
    }
    roles = ((role_of(name), is_active) for name, is_active in active.items() if is_active is not None)
    found = [role.active if is_active else role.rest for role, is_active in roles]
    if inputs.glass_present and inputs.fresh_glass is False:
        found[1] += ", to be taken"
    return [*found, *(f"line {line} low" for line in inputs.low_lines)]


def _line_cells(one: LineView) -> tuple[str, ...]:
    tube = one.contents if one.holds is None else one.holds
    return (
        str(one.line),
        one.liquid or "nothing",
        str(tube),
        "" if one.remaining_ml is None else f"{one.remaining_ml:.0f} mL",
        "" if one.calibration is None else f"{one.calibration.flow_ml_s:.3f} mL/s",
        one.note or "ready",
    )


def _calibration_lines(fit: FitView, found: Calibration) -> list[str]:
    lines = [
        f"flow {found.flow_ml_s:.4f} mL/s (u {found.u_flow_ml_s:.4f}), lag {found.lag_s * 1000:.0f} ms "
        f"(u {found.u_lag_s * 1000:.0f} ms), slows by {found.sag_per_a * 100:.2f} % per ampere of the others",
    ]
    lines.append(f"to state below line {fit.line} in the profile: {as_written(commissioned(found))}")
    if fit.scatter_ml is not None:
        lines.append(f"scatter from run to run: {fit.scatter_ml:.2f} mL")
    if fit.smallest_dose_ml is not None:
        lines.append(f"smallest dose inside the tolerance: {fit.smallest_dose_ml:.1f} mL")
    if fit.doses:
        rows = [
            (
                f"{one.dose_ml:g} mL",
                f"{one.run_s:.2f} s",
                f"{one.u95_ml:.2f} mL",
                f"{one.tolerance_ml:.2f} mL",
                "inside" if one.u95_ml <= one.tolerance_ml else "OUTSIDE",
            )
            for one in fit.doses
        ]
        lines.append(table(("dose", "run", "error up to (95 %)", "tolerance", ""), rows))
    return lines
