"""Where sockets and records lie."""

import os
import tempfile
from pathlib import Path

from controller.errors import TundishError

SERVICE_RUN_DIR = Path("/run/tundish")
SERVICE_STATE_DIR = Path("/var/lib/tundish")

# Guard, engine and scale have a folder each for their sockets, which in the services only they may write: nobody else
# can listen in their place.
# At the desk `tundish up` listens too, so that it can be told to stop all.
UP = "up.sock"
BENCH, GUARD, ENGINE = "bench.sock", "guard/guard.sock", "engine/engine.sock"
SCALE, SCALE_TO_GUARD = "scale/scale.sock", "guard/scale.sock"  # of datagrams


def run_dir_to_use(given: Path | None) -> Path:
    """The folder of the sockets of a running machine: as given, else the first place where an engine has its socket."""
    places = run_dirs(given)
    return next((one for one in places if (one / ENGINE).exists()), places[0])


def run_dir_to_fill(given: Path | None) -> Path:
    """The folder for the sockets of processes about to be started, made if need be. Raises TundishError."""
    if given is None:
        given = next(one for one in run_dirs(None) if one != SERVICE_RUN_DIR or os.access(one, os.W_OK))
    try:
        given.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise TundishError(f"cannot use {given} for sockets: {error}. Choose another place with --run-dir.") from error
    if given == _own_temporary() and given.stat().st_uid != os.getuid():
        # In a folder that everyone may write, somebody else may have made it first to listen in.
        raise TundishError(f"{given} belongs to somebody else. Choose another place with --run-dir.")
    return given


def state_dir_to_use(given: Path | None) -> Path:
    """The folder of ledger and journal: as given, else the service's when it may be written, else the user's own."""
    if given is not None:
        return given
    if os.access(SERVICE_STATE_DIR, os.W_OK):
        return SERVICE_STATE_DIR
    return own_state_dir()


def own_state_dir() -> Path:
    """The user's own folder for records."""
    home = os.environ.get("XDG_STATE_HOME")
    return (Path(home) if home else Path.home() / ".local" / "state") / "tundish"


def run_dirs(given: Path | None) -> list[Path]:
    """Folders where sockets may lie, in order of preference: only the given one, if any; the user's own is last."""
    if given is not None:
        return [given]
    places = [SERVICE_RUN_DIR] if os.access(SERVICE_RUN_DIR, os.X_OK) else []
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    places.append(Path(runtime) / "tundish" if runtime else _own_temporary())
    return places


def _own_temporary() -> Path:
    return Path(tempfile.gettempdir()) / f"tundish-{os.getuid()}"
