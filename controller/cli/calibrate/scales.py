"""Scales that weigh what a run puts into a jar: a person's, or the bench's."""

import math
import statistics
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import click

from controller.cli.client import EngineClient
from controller.cli.following import begin
from controller.cli.options import Session, decimal
from controller.cli.places import BENCH, run_dir_to_use
from controller.errors import BadQuantity, Refused, TundishError
from controller.model.requests import TrialRequest
from controller.model.states import Outcome
from controller.model.views import Status

if TYPE_CHECKING:
    from controller.bench.client import BenchClient
    from controller.cli.calibrate.balance import Balance

JarScale: TypeAlias = "ByHand | OfTheBench | Balance"  # weighs what one run puts into the jar

DRAIN_S = 1.5  # wait for the last drops before a scale is read
STEADY_G = 0.05  # means this close together are a steady reading
READINGS, READING_S = 5, 0.1
LONGEST_S = 15.0
SEEN_S = 1.5  # a contact that has just closed counts once it is steady
JAR_ML = 2000.0
FAR = 0.15  # a typed weight so far from what is expected is asked for again
MOST_G = 10_000.0


BY_HAND, OF_BENCH, MACHINE = "by-hand", "bench", "machine"


class ScaleName(click.Choice[str]):
    """One of some words, or the serial port of a laboratory balance."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """A path is a port; anything else must be one of the words."""
        return value if str(value).startswith("/") else str(super().convert(value, param, ctx))

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """As the help shows it."""
        return f"[{'|'.join(map(str, self.choices))}|PORT]"


scale_option = click.option(
    "--scale",
    type=ScaleName([BY_HAND, OF_BENCH]),
    default=BY_HAND,
    show_default=True,
    help="Type the weights, or read them from the simulated scale, or from a laboratory balance, as /dev/ttyUSB0.",
)
any_scale_option = click.option(
    "--scale",
    type=ScaleName([BY_HAND, MACHINE, OF_BENCH]),
    default=BY_HAND,
    show_default=True,
    help="Type the weights, have the machine weigh on its own scale, read a simulated person's scale, or a laboratory "
    "balance at its serial port, as /dev/ttyUSB0.",
)


class ByHand:
    """A person with a scale."""

    u_grams: float | None = None

    def before(self, on_s: float) -> None:
        """Have the jar tared and placed."""
        click.echo("\nSet the empty jar on the scale, press tare, and put it under the funnel.")
        click.prompt(f"Enter runs it for {on_s:g} s", default="", show_default=False, prompt_suffix=" ")

    def missing(self, on_s: float) -> None:
        """Ask for the jar until the contact sees it."""
        click.echo("The contact sees nothing under the outlet: nothing runs until the jar stands there.")
        click.prompt(f"Enter runs it for {on_s:g} s", default="", show_default=False, prompt_suffix=" ")

    def after(self, expected_g: float | None) -> float:
        """Ask for the weight, and once more when it is much more or less than expected."""
        while True:
            grams = click.prompt("Weigh the jar. Grams", value_proc=_grams)
            if not expected_g or abs(grams / expected_g - 1.0) <= FAR:
                return float(grams)
            click.echo(f"{grams:g} g is far from the {expected_g:.1f} g that such a run should give.")
            if click.confirm("Is it right?", default=False):
                return float(grams)


class OfTheBench:
    """The scale under the simulated outlet, with a jar that is set there fresh for each run."""

    u_grams: float | None = 0.03  # two means of READINGS readings with 0.03 g noise each, and the display's step

    def __init__(self, client: "BenchClient") -> None:
        self._client = client
        self._empty_g = 0.0
        self._glass = client.report().glass  # that stood there before
        if self._glass is not None:
            client.lift_glass()

    def clear(self) -> None:
        """Take the jar away, and put a fresh glass where one stood."""
        if self._client.report().glass is not None:
            self._client.lift_glass()
        if self._glass is not None:
            with suppress(Refused):  # what stood there was no glass of the book
                self._client.place_glass(self._glass)

    def before(self, on_s: float) -> None:
        """Set a fresh jar."""
        self._client.place_glass(brim_ml=JAR_ML)
        self._empty_g = self._steady_g()

    def missing(self, on_s: float) -> None:
        """Nobody is there to be asked."""
        raise Refused(
            rule="jar",
            reason="the contact sees nothing under the outlet.",
            remedy="Look at the contact: tundish bench faults.",
        )

    def after(self, expected_g: float | None) -> float:
        """Weigh once the last drops have fallen, and lift the jar."""
        time.sleep(DRAIN_S)
        grams = self._steady_g() - self._empty_g
        self._client.lift_glass()
        return max(0.0, grams)

    def _steady_g(self) -> float:
        """The mean of READINGS readings, once two such means agree."""
        deadline_s, last_g = time.monotonic() + LONGEST_S, math.inf
        while time.monotonic() < deadline_s:
            now_g = statistics.fmean(self._readings())
            if abs(now_g - last_g) <= STEADY_G:
                return now_g
            last_g = now_g
        raise TundishError(f"the scale does not come to rest within {LONGEST_S:.0f} s.")

    def _readings(self) -> Iterator[float]:
        for _ in range(READINGS):
            time.sleep(READING_S)
            yield self._client.scale_g()


def _grams(text: str) -> float:
    """A weight as typed, with a point or a comma; UsageError, which asks again, for anything else."""
    try:
        grams = decimal(text.strip().removesuffix("g"))
    except BadQuantity as error:
        raise click.UsageError(f"{error} Type the jar's grams.") from None
    if not 0.0 <= grams <= MOST_G:
        raise click.UsageError(f"{grams:g} g cannot be: 0 to {MOST_G:g} g.")
    return grams


def _jar_stands(engine: EngineClient) -> bool:
    """Whether the contact sees the jar within SEEN_S; true where no contact tells."""
    end_s = time.monotonic() + SEEN_S
    while (inputs := engine.get("status", Status).inputs) is not None and inputs.glass_present is False:
        if time.monotonic() >= end_s:
            return False
        time.sleep(READING_S)
    return True


@contextmanager
def scale_of(name: str, run_dir: Path | None) -> Iterator[JarScale]:
    """The scale of this name: "bench", the balance at a serial port, else a person's."""
    if name.startswith("/"):
        from controller.cli.calibrate.balance import open_balance

        with open_balance(name) as balance:
            yield balance
        return
    if name != "bench":
        yield ByHand()
        return
    from controller.bench.client import BenchClient

    with BenchClient(run_dir_to_use(run_dir) / BENCH) as client:
        scale = OfTheBench(client)
        try:
            yield scale
        finally:
            scale.clear()


def weigh_run(
    session: Session, lines: Sequence[int], on_s: float, scale: JarScale, *, expected_g: float | None = None
) -> tuple[str, float]:
    """Run lines for on_s into the jar: the operation, and the grams that came (expected_g: what should come)."""
    scale.before(on_s)
    while not _jar_stands(session.engine):
        scale.missing(on_s)
    view = begin(session, "trials", TrialRequest(lines=tuple(lines), on_s=on_s, jug=True))
    if view.outcome != Outcome.DONE:
        raise TundishError(f"the trial ended as {view.outcome} ({view.reason}): it cannot be weighed. Run it again.")
    return view.operation, scale.after(expected_g)
