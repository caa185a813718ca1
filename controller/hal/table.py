"""From a profile to its board: a literal table, imported on use, with no guessing and no second choice."""

from importlib import import_module
from pathlib import Path
from types import ModuleType

from controller.errors import BoardError
from controller.hal.board import Board
from controller.hal.gpio_board import GpioBoard
from controller.model.profile import Profile

# Backend -> module; its open_factory takes the profile and the bench's socket and returns a pin factory.
DRIVERS = {"gpio": "controller.hal.gpiod_pins", "bench": "controller.bench.pins"}


def open_board(profile: Profile, *, bench_socket: Path | None = None) -> Board:
    """Open the board that the profile names, every output claimed with its safe level.

    bench_socket: where the bench listens; needed for a simulated machine and refused for a real one. Raises
    BoardError when the board cannot be had whole; nothing is tried instead.
    """
    backend = profile.board.backend
    if backend == "bench" and bench_socket is None:
        raise BoardError(f"{profile.machine} is a simulated machine: say where its bench listens")
    if backend != "bench" and bench_socket is not None:
        raise BoardError(f"{profile.machine} is a real machine: it has no bench to speak to at {bench_socket}")
    return GpioBoard(profile, load_driver(backend).open_factory(profile, bench_socket))


def load_driver(backend: str) -> ModuleType:
    """The pin driver of this backend; BoardError when it is not installed."""
    try:
        return import_module(DRIVERS[backend])
    except ImportError as exc:
        remedy = " Install tundish[gpio]." if backend == "gpio" else ""
        raise BoardError(f"the pin driver of backend {backend!r} is not installed: {exc}.{remedy}") from exc
