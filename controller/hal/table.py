"""From a profile to its board: a literal table, imported on use, with no guessing and no second choice."""

from importlib import import_module
from pathlib import Path

from controller.errors import BoardError
from controller.hal.board import Board
from controller.hal.gpio_board import GpioBoard
from controller.model.profile import Profile

# Backend -> "module:function"; the function takes the profile and the bench's socket and returns a pin factory.
FACTORIES = {
    "gpio": "controller.hal.lgpio_pins:open_factory",
    "bench": "controller.bench.pins:open_factory",
}


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
    module, _, function = FACTORIES[backend].partition(":")
    try:
        open_factory = getattr(import_module(module), function)
    except ImportError as exc:
        raise BoardError(f"the pin driver of backend {backend!r} is not installed: {exc}") from exc
    return GpioBoard(profile, open_factory(profile, bench_socket))
