"""The process that reads the scale: this one, once it has read the profile, in the place of all that it has loaded."""

import os
import sys
from pathlib import Path
from typing import NoReturn

from controller.cli.places import BENCH, SCALE, SCALE_TO_GUARD, run_dir_to_fill
from controller.errors import Refused, TundishError
from controller.model.scale import Scale

LEASHED = "TUNDISH_LEASHED"  # set by controller.cli.run.child: ends with its standard input


def become_scale(profile_path: Path, run_dir: Path | None) -> NoReturn:
    """Go on as `python -m controller.scale`, a fifth as large; Refused when the profile has no scale."""
    scale = _scale_of(profile_path)
    folder = run_dir_to_fill(run_dir)
    (folder / SCALE).parent.mkdir(exist_ok=True)
    os.execv(sys.executable, [sys.executable, *words(scale, folder)])


def set_kernel_up(profile_path: Path) -> None:
    """Set gain and rate of the profile's converter where the kernel drives it. TundishError when that fails."""
    scale = _scale_of(profile_path)
    if scale.converter != "kernel":
        return
    from controller.scale.converter import ConverterError
    from controller.scale.kernel import set_up

    try:
        set_up(scale.compatible, scale.readings_per_s)
    except (ConverterError, OSError) as problem:
        raise TundishError(f"the scale's converter cannot be set: {problem}") from problem


def _scale_of(profile_path: Path) -> Scale:
    from controller.config import load_profile

    profile, _ = load_profile(profile_path)
    if profile.scale is None:
        raise Refused(rule="scale", reason="the profile has no scale.", remedy="Write it under scale: in the profile.")
    return profile.scale


def words(scale: Scale, folder: Path) -> list[str]:
    """The command line after the interpreter."""
    place = {"i2c": str(scale.bus), "kernel": scale.compatible, "bench": str(folder / BENCH)}[scale.converter]
    leash = ["--leashed"] if os.environ.get(LEASHED) else []
    return [
        "-m", "controller.scale", *leash, scale.converter, place, str(scale.readings_per_s),
        str(folder / SCALE_TO_GUARD), str(folder / SCALE),
    ]  # fmt: skip
