"""Live progress on a terminal: one bar a line."""

import sys
import termios
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from controller.model.views import LineProgress, OperationView


class Bars:
    """Draws the lines of an operation in place; words stand beside every colour."""

    def __init__(self) -> None:
        self._console = Console(highlight=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._modes: list[int | list[bytes | int]] | None = None

    def __enter__(self) -> Self:
        self._modes = _echo_off()
        self._live.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.__exit__(None, None, None)
        if self._modes is not None:
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._modes)

    def show(self, view: OperationView) -> None:
        """Draw the operation as it is now."""
        grid = Table.grid(padding=(0, 1))
        for one in view.lines:
            grid.add_row(*_cells(one))
        now = f"{view.elapsed_s:.1f} s" if view.waiting_for is None else f"waits for: {view.waiting_for}"
        scale = (
            "" if view.weighed is None else f"   weighed {view.weighed.volume_ml:.1f} of {view.weighed.asked_ml:.1f} mL"
        )
        below = Text(f"{now}   (pumps need {view.planned_s:.1f} s){scale}   Ctrl-C stops", style="dim")
        self._live.update(Group(grid, below), refresh=True)

    def say(self, text: str) -> None:
        """Say it above the bars."""
        self._console.print(text, markup=False)


def _cells(one: LineProgress) -> tuple[str, str, ProgressBar, Text, str]:
    bar = ProgressBar(total=max(one.asked_ml, 1e-9), completed=min(one.delivered_ml, one.asked_ml), width=40)
    at_most = "at most " if one.at_most else ""
    volume = Text(f"{at_most}{one.delivered_ml:7.1f} / {one.asked_ml:.1f} mL", justify="right")
    state = "pumping" if one.is_on else "done" if one.delivered_ml >= 0.99 * one.asked_ml else "waits"
    return f"line {one.line}", one.liquid, bar, volume, state


def _echo_off() -> list[int | list[bytes | int]] | None:
    """Keep typed keys off the screen, where they would tear the bars; the terminal's modes as they were."""
    try:
        before = termios.tcgetattr(sys.stdin)
    except (termios.error, OSError, ValueError):  # standard input is no terminal
        return None
    modes = termios.tcgetattr(sys.stdin)
    modes[3] &= ~termios.ECHO
    termios.tcsetattr(sys.stdin, termios.TCSADRAIN, modes)
    return before
