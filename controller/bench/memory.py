"""What a bench remembers from one start to the next, as a real machine's tubes and bottles do."""

from pathlib import Path

import msgspec

from controller.bench.line_state import BenchLine
from controller.bench.simulation import Simulation
from controller.bench.truth import Truth
from controller.bench.tubing import SourceContainer
from controller.bench.vessels import BenchGlass
from controller.errors import FileProblems, Problem
from controller.model.fields import Value


class LineMemory(Value, frozen=True, kw_only=True):
    """One line at rest."""

    line: int
    liquid: str | None
    remaining_ml: float
    tube: tuple[tuple[str, float], ...]
    revs: float
    runs: int
    left_outlet_ml: dict[str, float]
    full_ml: float | None = None  # of the container when it was hung


class BenchMemory(Value, frozen=True, kw_only=True):
    """A whole bench. It only fits the machine and the seed that it was taken from."""

    machine: str
    seed: int
    lines: tuple[LineMemory, ...]
    funnel_ml: dict[str, float]
    tray_ml: dict[str, float]
    glass: BenchGlass | None


def remember(machine: str, simulation: Simulation) -> BenchMemory:
    """The present state; what still turns counts as stopped here."""
    glass = simulation.vessels.glass
    return BenchMemory(
        machine=machine,
        seed=simulation.truth.seed,
        lines=tuple(_remember_line(line) for line in simulation.lines.values()),
        funnel_ml=simulation.vessels.funnel,
        tray_ml=simulation.vessels.tray,
        glass=glass.copy() if glass else None,
    )


def restore(memory: BenchMemory, simulation: Simulation) -> None:
    """Bring a fresh bench to this state."""
    for one in memory.lines:
        line = simulation.lines[one.line]
        line.container = None
        if one.liquid is not None:
            line.container = SourceContainer(one.liquid, one.remaining_ml, full_ml=one.full_ml, hung_s=simulation.at_s)
        line.tube.slugs.clear()
        line.tube.slugs.extend(one.tube)
        line.turn_to(one.revs, one.runs)
        line.left_outlet = one.left_outlet_ml.copy()
    simulation.vessels.funnel, simulation.vessels.tray = memory.funnel_ml.copy(), memory.tray_ml.copy()
    if memory.glass:
        simulation.vessels.glass = memory.glass.copy()
    if simulation.platform is not None:
        simulation.platform.find(simulation.vessels)


def _remember_line(line: BenchLine) -> LineMemory:
    return LineMemory(
        line=line.number,
        liquid=line.container.liquid if line.container else None,
        remaining_ml=line.container.remaining_ml if line.container else 0.0,
        tube=tuple(line.tube.slugs),
        revs=line.motion.revs,
        runs=line.runs,
        left_outlet_ml=line.left_outlet,
        full_ml=line.container.full_ml if line.container else None,
    )


def write_memory(path: Path, memory: BenchMemory) -> None:
    """Put it in a file, whole or not at all; a power cut may lose it, as no real machine's contents are at stake."""
    fresh = path.with_name(path.name + ".new")
    fresh.write_bytes(msgspec.json.format(msgspec.json.encode(memory)))
    fresh.replace(path)


def read_memory(path: Path, machine: str, truth: Truth) -> BenchMemory | None:
    """What the file holds; None without one, or when it is of another machine. FileProblems when it is spoilt."""
    try:
        memory = msgspec.json.decode(path.read_bytes(), type=BenchMemory)
    except FileNotFoundError:
        return None
    except msgspec.MsgspecError as exc:
        text = (
            f"this is no bench's memory: {exc}. Delete it: the bench then starts with empty tubes and full containers."
        )
        raise FileProblems([Problem(file=str(path), line=1, column=1, text=text)]) from exc
    return memory if _fits(memory, machine, truth) else None


def _fits(memory: BenchMemory, machine: str, truth: Truth) -> bool:
    """Whether it is of this machine, with these lines and with liquids that the present book still has."""
    vessels = [memory.funnel_ml, memory.tray_ml, *([memory.glass.contents] if memory.glass else [])]
    fluids = {fluid for vessel in vessels for fluid in vessel}
    for line in memory.lines:
        fluids |= {fluid for fluid, _ in line.tube} | ({line.liquid} if line.liquid is not None else set())
    lines = {line.line for line in memory.lines}
    return (memory.machine, memory.seed, lines) == (machine, truth.seed, set(truth.lines)) and fluids <= set(
        truth.fluids
    )
