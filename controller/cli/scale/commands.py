"""`tundish scale`: show the scale under the glass, zero it, span it with a known mass, check it, run its process."""

from pathlib import Path

import click

from controller.cli.examples import profile_option
from controller.cli.options import Session, moment, quantity, quantity_option, run_dir_option, session_options, table
from controller.model.scale import ScaleSetting
from controller.model.scale_views import ScaleView, SpanRequest, SpanView, ZeroRequest

REST_S = 20.0  # longest wait for the answer: the engine waits until the load has come to rest
GLASS_G = 300.0  # an example of a load


@click.group(invoke_without_command=True)
@session_options
@click.pass_context
def scale(ctx: click.Context, session: Session) -> None:
    """Show what the scale under the glass weighs; zero it, span it with a known mass, check it."""
    if ctx.invoked_subcommand is None:
        session.show(session.engine.get("scale", ScaleView), draw_scale)


@scale.command()
@click.option("--sure", is_flag=True, help="Also when the scale shows a load: the platform was rebuilt.")
@session_options
def zero(session: Session, *, sure: bool) -> None:
    """Say that the platform is empty: it weighs nothing from now on."""
    setting = session.engine.post("scale/zero", ScaleSetting, ZeroRequest(sure=sure), within_s=REST_S)
    session.show(setting, lambda _: "The empty platform weighs 0 g.")


@scale.command()
@click.argument("mass_g", metavar="MASS", callback=quantity("g"))
@quantity_option(
    "--tolerance",
    "tolerance_g",
    "g",
    "How far the mass may be off: a weight by its class, a jar by its scale.",
    "0.5 g",
)
@session_options
def span(session: Session, *, mass_g: float, tolerance_g: float) -> None:
    """Find how many counts make a gram, with a known MASS on the platform, as in: tundish scale span "500 g"."""
    asked = SpanRequest(mass_g=mass_g, tolerance_g=tolerance_g)
    session.show(session.engine.post("scale/span", SpanView, asked, within_s=REST_S), draw_span)


@scale.command()
@session_options
def check(session: Session) -> int:
    """Say what is wrong with the scale, and what to do; ends with 1 when something is."""
    view = session.engine.get("scale", ScaleView)
    session.show(view, lambda _: "\n".join(view.findings) or "Nothing is wrong with the scale.")
    return 1 if view.findings else 0


@scale.command()
@profile_option
def prepare(profile_path: Path) -> None:
    """Set gain and rate of a converter that the kernel drives, as root; nothing to do for others."""
    from controller.cli.scale.process import set_kernel_up

    set_kernel_up(profile_path)


@scale.command()
@profile_option
@run_dir_option
def run(profile_path: Path, run_dir: Path | None) -> None:
    """Run the process that reads the scale for the guard, until SIGTERM or Ctrl-C."""
    from controller.cli.scale.process import become_scale

    become_scale(profile_path, run_dir)


def draw_scale(view: ScaleView) -> str:
    """The load with its uncertainty, zero and span, and what is wrong."""
    load = "-" if view.load_g is None else f"{view.load_g:.1f} g"
    if view.u_load_g is not None:
        load += f" +- {2 * view.u_load_g:.2f} g"
    zeroed, of_span = view.setting.zeroed_wall_s, view.setting.span
    rows = [
        ("load", load),
        ("noise of one reading", "-" if view.noise_g is None else f"{view.noise_g:.2f} g"),
        ("readings", f"{view.readings_per_s:.0f} a second"),
        ("zeroed", moment(zeroed) or "never"),
        (
            "span",
            "none yet: tundish scale span"
            if of_span is None
            else f"{of_span.counts_per_g:.2f} counts/g +- {200 * of_span.u_fraction:.2f} %, with {of_span.mass_g:g} g, "
            f"{moment(of_span.wall_s)}",
        ),
    ]
    return table(("scale", f"of {view.capacity_g:g} g"), rows) + "".join(f"\n{one}" for one in view.findings)


def draw_span(view: SpanView) -> str:
    """The span, how good it is, and where that comes from."""
    rows = [(one.source, one.evaluation, f"{one.u_g:.3f} g") for one in view.budget]
    total = f"{view.counts_per_g:.2f} counts/g, known to {2 * view.u_percent:.2f} % (95 %)"
    means = f"A glass with {GLASS_G:g} g in it is weighed to {2 * view.u_percent / 100 * GLASS_G:.2f} g by that."
    return "\n".join([table(("uncertainty from", "type", f"in {view.mass_g:g} g"), rows), total, means, *view.findings])
