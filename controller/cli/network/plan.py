"""Which steps open the engine to the local network, or close it: pure."""

from collections.abc import Sequence
from pathlib import Path

from controller.cli.install.plan import ENGINE, LAN
from controller.cli.install.steps import Remove, RunCommand, Step, WriteFile


def drop_in(shipped: str, *, port: int, names: Sequence[str], certificate: tuple[Path, Path] | None) -> str:
    """The drop-in with these figures in it; `shipped` is the file that came with the program."""
    lines = []
    for line in shipped.splitlines():
        if line.startswith("Environment=TUNDISH_LAN="):
            lines.append(f"Environment=TUNDISH_LAN=0.0.0.0:{port}")
        elif line.startswith("Environment=TUNDISH_LAN_NAMES="):
            lines.append(f'Environment="TUNDISH_LAN_NAMES={" ".join(names)}"')
            if certificate is not None:
                lines += [
                    f"LoadCredential=certificate:{certificate[0]}",
                    f"LoadCredential=key:{certificate[1]}",
                    "Environment=TUNDISH_CERTIFICATE=%d/certificate",
                    "Environment=TUNDISH_KEY=%d/key",
                ]
        else:
            lines.append(line)
    return "\n".join(lines) + "\n"


def plan_on(there: str | None, wanted: str) -> tuple[Step, ...]:
    """Write the drop-in and restart the engine, where it is not so already."""
    is_so = there == wanted
    return (
        Step(act=WriteFile(path=LAN, content=wanted), why="the engine may listen there", is_done=is_so),
        *_restart("the engine listens from now on", is_done=is_so),
    )


def plan_off(there: str | None) -> tuple[Step, ...]:
    """Remove the drop-in and restart the engine, where it was on."""
    is_so = there is None
    return (
        Step(act=Remove(path=LAN), why="without it the engine has no network at all", is_done=is_so),
        *_restart("the engine listens no more; every link is worth nothing", is_done=is_so),
    )


def _restart(why: str, *, is_done: bool) -> tuple[Step, ...]:
    return (
        Step(act=RunCommand(words=("systemctl", "daemon-reload")), why="systemd reads the drop-in", is_done=is_done),
        Step(act=RunCommand(words=("systemctl", "restart", ENGINE)), why=why, is_done=is_done),
    )
