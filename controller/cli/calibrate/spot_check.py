"""`tundish spot-check`: one weighed run, to see whether a calibration still holds."""

from types import NoneType

import click

from controller.cli.calibrate.hands_free import JAR_ML, all_option, jar_option, on_the_scale
from controller.cli.calibrate.scales import MACHINE, any_scale_option, scale_of, weigh_run
from controller.cli.client import address
from controller.cli.completion import LINE
from controller.cli.options import Decimal, Session, session_options
from controller.model.hands_free import HandsFreeRequest
from controller.model.requests import SpotCheckRequest
from controller.model.views import FitView, SpotCheckView

RUN_S = 8.0


@click.command(name="spot-check")
@click.argument("line", type=LINE, required=False)
@all_option
@jar_option
@click.option("--for", "on_s", type=Decimal(1.0, 60.0), default=RUN_S, show_default=True, help="Seconds.")
@any_scale_option
@click.option("--strike", is_flag=True, help="Let the line's last spot check not count; no pump runs.")
@click.option("--adopt", is_flag=True, help="Carry a calibration with another liquid over to the one on the line.")
@session_options
def spot_check(
    session: Session,
    *,
    line: int | None,
    all_lines: bool,
    jar_ml: float | None,
    on_s: float,
    scale: str,
    strike: bool,
    adopt: bool,
) -> int:
    """Run LINE once into a jar, weigh it, and hold it against the line's calibration.

    With --all, or --scale machine for one line, the machine weighs on its own scale. Ends with 1 when the line is
    blocked for small doses.
    """
    engine = session.engine
    if all_lines or (scale == MACHINE and not strike):
        lines = () if line is None else (line,)
        asked = HandsFreeRequest(purpose="check", jar_ml=jar_ml or JAR_ML, lines=lines, adopt=adopt)
        return on_the_scale(session, asked, "tundish spot-check --all")
    if line is None:
        raise click.UsageError("name a LINE, or check --all lines on the machine's own scale.")
    if strike:
        engine.post(address("spot-checks", line, "strike"), NoneType)
        click.echo(f"The last spot check of line {line} does not count any more.")
        return 0
    fit = engine.get(address("calibrations", line), FitView)
    with scale_of(scale, session.run_dir) as jar:
        operation, grams = weigh_run(session, (line,), on_s, jar, expected_g=_expected_g(fit, on_s))
    request = SpotCheckRequest(operation=operation, line=line, grams=grams, u_grams=jar.u_grams, adopt=adopt)
    view = engine.post("spot-checks", SpotCheckView, request)
    session.show(view, draw_spot_check)
    return 1 if view.blocks_small_doses else 0


def _expected_g(fit: FitView, on_s: float) -> float | None:
    """What such a run should weigh by the line's calibration, roughly; None without one."""
    known = fit.calibration
    return None if known is None else known.flow_ml_s * (on_s - known.lag_s) * fit.density_kg_m3 / 1000.0


def draw_spot_check(view: SpotCheckView) -> str:
    """The check in words."""
    text = [
        f"line {view.line}, {view.liquid}: {view.volume_ml:.2f} mL, expected {view.expected_ml:.2f} mL "
        f"({view.error_percent:+.2f} %)."
    ]
    if view.factor is not None and view.u_factor is not None:
        text.append(
            f"It flows at {view.factor:.4f} +- {2 * view.u_factor:.4f} of the calibrated flow (95 %); the tube let one "
            f"expect {view.expected_factor or 0:.3f} +- {2 * (view.u_expected_factor or 0):.3f}."
        )
        text.append("The line now counts with it." if view.adopted else "To count with it: the same with --adopt.")
    else:
        text.append(f"{view.status}, after {view.checks} check(s); CUSUM {view.cusum:.1f}.")
    return "\n".join([*text, *view.reasons])
