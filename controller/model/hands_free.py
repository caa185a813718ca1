"""Calibrating and checking lines on the machine's own scale: what people ask for, and the answers."""

from typing import Annotated, Literal

from msgspec import Meta

from controller.model.fields import Value

JarVolume = Annotated[float, Meta(ge=200, le=50_000)]  # mL
MostVolume = Annotated[float, Meta(ge=50, le=5000)]  # mL

HandsFreeState = Literal["jar", "empty", "priming", "trial", "weighing", "done"]


class HandsFreeRequest(Value, frozen=True, kw_only=True):
    """Calibrate lines on the scale, or check their calibrations with one run each; or take up what is under way.

    lines: all that have a container when none is named. jar_ml: what the jar takes. most_ml: the most that trials may
    take of one line. adopt: a check carries a calibration with another liquid over. by: who is there.
    """

    jar_ml: JarVolume
    purpose: Literal["calibrate", "check"] = "calibrate"
    lines: tuple[int, ...] = ()
    adopt: bool = False
    most_ml: MostVolume = 250.0
    by: Annotated[str, Meta(max_length=60)] = ""


class HandsFreeLine(Value, frozen=True, kw_only=True):
    """One line: its trials so far that count, and what a check found or why there is none, or no calibration."""

    line: int
    liquid: str
    state: Literal["to do", "under way", "calibrated", "checked", "failed"]
    trials: int = 0
    says: str = ""


class HandsFreeView(Value, frozen=True, kw_only=True):
    """How far it is. `jar` and `empty` wait for a person, who does what `text` asks; the scale sees that it is done.

    again_s: when to ask for the next step. running_s: time spent so far, waiting for people left out. touches: times
    that a person set the jar down.
    """

    state: HandsFreeState
    text: str
    lines: tuple[HandsFreeLine, ...]
    line: int | None = None
    operation: str | None = None
    again_s: float = 0.25
    running_s: float = 0.0
    touches: int = 0
    in_jar_g: float = 0.0
    remarks: tuple[str, ...] = ()
