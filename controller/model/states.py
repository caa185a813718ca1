"""The words for what the machine does, what a line holds and how an operation ends."""

from enum import StrEnum
from typing import Literal


class MachineState(StrEnum):
    """Machine states of ISA-TR88.00.02, only those Tundish needs."""

    STOPPED = "stopped"
    RESETTING = "resetting"
    IDLE = "idle"
    STARTING = "starting"
    EXECUTE = "execute"
    HOLDING = "holding"
    HELD = "held"
    UNHOLDING = "unholding"
    COMPLETING = "completing"
    COMPLETE = "complete"
    STOPPING = "stopping"
    ABORTING = "aborting"
    ABORTED = "aborted"
    CLEARING = "clearing"


AT_REST = frozenset({MachineState.STOPPED, MachineState.IDLE, MachineState.ABORTED})  # nothing moves, or may move on


class Contents(StrEnum):
    """What a line's tube holds."""

    EMPTY = "empty"
    LIQUID = "liquid"
    CLEANER = "cleaner"
    RINSE_WATER = "rinse water"
    UNKNOWN = "unknown"


class OperationKind(StrEnum):
    """What the pumps can be asked to do."""

    SERVE = "serve"
    PRIME = "prime"
    PURGE = "purge"
    CLEAN = "clean"
    RINSE = "rinse"
    TRIAL = "trial"
    JOG = "jog"


class Outcome(StrEnum):
    """How an operation ended. Done, stopped and aborted are different results."""

    DONE = "done"
    STOPPED = "stopped"
    ABORTED = "aborted"
    FAULTED = "faulted"


# Why an operation was stopped or aborted, where no fault did it: a person's stop; the engine's connection lost, or its
# heartbeat; the journal cannot be written; the sentinel is lost; the guard ends, or has crashed; nobody came to a held
# one in time; starts came late.
StopCause = Literal["person", "engine", "silence", "journal", "sentinel", "service", "restart", "waited", "busy"]
