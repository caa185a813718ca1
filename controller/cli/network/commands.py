"""`tundish network` and `tundish invite`: let phones in, turn everybody out, print the code that lets guests in."""

import os
import time
from datetime import datetime
from pathlib import Path

import click

from controller.cli.client import EngineClient
from controller.cli.examples import shared_folder
from controller.cli.install.commands import take_steps
from controller.cli.install.plan import ENGINE, LAN, UNITS
from controller.cli.install.steps import Step
from controller.cli.network import facts, plan
from controller.cli.options import Session, certificate_of, existing_file, session_options
from controller.errors import Refused, TundishError, Unreachable
from controller.model.network import NetworkView
from controller.model.states import AT_REST
from controller.model.views import Status

PORT = 8080
STARTS_WITHIN_S = 60.0
CAUTION = (
    "Without TLS anybody on this network can read what is sent, the links too: use a network of your own with a "
    "password, and switch this off afterwards."
)


@click.group(invoke_without_command=True)
@session_options
@click.pass_context
def network(ctx: click.Context, session: Session) -> None:
    """Show whether phones on the local network are let in, and by which links."""
    if ctx.invoked_subcommand is None:
        session.show(session.engine.get("network", NetworkView), _draw)


@network.command()
@click.option("--port", type=click.IntRange(1024, 65_535), default=PORT, show_default=True)
@click.option("--name", "names", multiple=True, help="A name by which phones reach this computer; may be repeated.")
@click.option("--certificate", type=existing_file, help="Your certificate, for TLS.")
@click.option("--key", type=existing_file, help="And its private key.")
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@session_options
def on(
    session: Session, *, port: int, names: tuple[str, ...], certificate: Path | None, key: Path | None, dry_run: bool
) -> None:
    """Let phones on the local network in, with new links for you and for guests. Needs sudo.

    Opens one port of this computer to private addresses; close it again with tundish network off.
    """
    pair = certificate_of(certificate, key)
    host, own = facts.look(), pair and (pair[0].resolve(), pair[1].resolve())
    shipped = (shared_folder() / "systemd/tundish-engine-lan.conf").read_text(encoding="utf-8")
    wanted = plan.drop_in(shipped, port=port, names=facts.names_for(host, names), certificate=own)
    _carry_out(session, plan.plan_on(_there(), wanted), dry_run=dry_run)
    if not dry_run:
        if host.mdns is None:
            session.say("Nothing announces a name here: the links go by address. With avahi-daemon they go by name.")
        session.show(_renewed(session.engine), _draw)


@network.command()
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@session_options
def off(session: Session, *, dry_run: bool) -> None:
    """Close the local network again. Needs sudo."""
    _carry_out(session, plan.plan_off(_there()), dry_run=dry_run)
    if not dry_run:
        session.show(NetworkView(is_on=False), _draw)


@network.command()
@session_options
def renew(session: Session) -> None:
    """Turn everybody out at once: the links before are worth nothing, the new ones hold for a day."""
    session.show(session.engine.post("network/renew", NetworkView), _draw)


@click.command()
@click.option("--network", "ssid", help="Name of the wireless network: print the code that joins it, too.")
@click.option("--password", help="Of that network.")
@session_options
def invite(session: Session, *, ssid: str | None, password: str | None) -> None:
    """Print the code that guests scan; with --network, the one that joins the wireless network beside it."""
    view = session.engine.get("network", NetworkView)
    if not view.guest_link:
        raise Refused(
            rule="network",
            reason="no link lets guests in." if view.is_on else "the local network is switched off.",
            remedy="Renew the links: tundish network renew" if view.is_on else "Switch it on: tundish network on",
        )
    session.show(view, lambda one: _codes(one, ssid, password))


def _codes(view: NetworkView, ssid: str | None, password: str | None) -> str:
    parts = []
    if ssid is not None:
        parts.append(f"1. Join the network {ssid}:\n\n{_code(wifi_text(ssid, password))}")
    parts.append(f"{len(parts) + 1}. Order a drink:\n\n{_code(view.guest_link)}\n{view.guest_link}")
    return "\n".join([*parts, _until(view), *([] if view.is_encrypted else [CAUTION])])


def _code(text: str) -> str:
    """A QR code of characters."""
    import io

    import segno

    drawn = io.StringIO()
    segno.make(text, micro=False, error="m").terminal(drawn, compact=True)
    return drawn.getvalue()


def wifi_text(ssid: str, password: str | None) -> str:
    """What a code that joins a wireless network holds (Wi-Fi Alliance, WPA3 Specification, URI format; from memory)."""

    def escaped(text: str) -> str:
        return "".join(f"\\{one}" if one in '\\;,":' else one for one in text)

    secret = f"T:WPA;S:{escaped(ssid)};P:{escaped(password)}" if password else f"S:{escaped(ssid)}"
    return f"WIFI:{secret};;"


def _there() -> str | None:
    return LAN.read_text(encoding="utf-8") if LAN.is_file() else None


def _carry_out(session: Session, steps: tuple[Step, ...], *, dry_run: bool) -> None:
    if not dry_run:
        _refuse(session, needed=not all(one.is_done for one in steps))
    take_steps(session, steps, Path("/"), is_applied=not dry_run)


def _refuse(session: Session, *, needed: bool) -> None:
    """Refused where this cannot be done, or would stop a drink."""
    if not Path("/run/systemd/system").is_dir() or not (UNITS / ENGINE).is_file():
        raise Refused(
            rule="network_service",
            reason="the engine does not run as a service here.",
            remedy=f"Install it (tundish install), or start it with: tundish up --lan 0.0.0.0:{PORT} --lan-name NAME",
        )
    if os.geteuid() != 0:
        raise Refused(rule="network_root", reason="only root may open a port for a service.", remedy="Use sudo.")
    try:
        state = session.engine.get("status", Status).state
    except Unreachable:
        return
    if needed and state is not None and state not in AT_REST:
        raise Refused(rule="operation_running", reason=f"the machine is in state {state}.", remedy="Wait for its end.")


def _renewed(engine: EngineClient) -> NetworkView:
    """The new links, once the engine has started again."""
    end_s = time.monotonic() + STARTS_WITHIN_S
    while True:
        try:
            if engine.get("network", NetworkView).is_on:
                return engine.post("network/renew", NetworkView)
        except Unreachable:
            pass
        if time.monotonic() > end_s:
            raise TundishError("the engine does not listen yet. See: journalctl -u tundish-engine")
        time.sleep(0.2)


def _draw(view: NetworkView) -> str:
    if not view.is_on:
        return "The local network is closed: nobody reaches the machine but at this computer."
    said = [f"Open: port {view.port} for private addresses, as {', '.join(view.names) or view.host}."]
    if not view.operator_link:
        return "\n".join([*said, "No link holds any more. New ones: tundish network renew"])
    said += [
        f"  for you:    {view.operator_link}",
        f"  for guests: {view.guest_link}   (tundish invite prints it as a code)",
    ]
    said += [_until(view), "Everybody out: tundish network renew.  Closed again: sudo tundish network off"]
    return "\n".join([*said, *([] if view.is_encrypted else [CAUTION])])


def _until(view: NetworkView) -> str:
    ends = datetime.fromtimestamp(view.ends_wall_s or 0.0)
    return f"These links hold until {ends:%A %H:%M}."
