"""The demo's events with their machine and books, and small changes of them."""

from functools import cache
from pathlib import Path

import msgspec

from controller.config import load_event

ROOT = Path(__file__).resolve().parents[2]
PROFILE = ROOT / "hardware_profiles" / "bench_six_line.yaml"
BOOKS = {"fete": "orchard_fete.yaml", "supper": "harvest_supper.yaml"}


@cache
def loaded(name="fete"):
    """Event, profile, book."""
    return load_event(ROOT / "demo" / f"{name}_event.yaml", PROFILE, ROOT / "demo" / BOOKS[name])[:3]


def event(name="fete", **changes):
    return msgspec.structs.replace(loaded(name)[0], **changes)


def profile():
    return loaded()[1]


def book(name="fete"):
    return loaded(name)[2]


def capped(**changes):
    """The machine with other caps."""
    return msgspec.structs.replace(profile(), caps=msgspec.structs.replace(profile().caps, **changes))
