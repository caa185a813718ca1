"""A small event and its rehearsals, each made once."""

from functools import cache
from pathlib import Path

import msgspec
import structlog

from controller.config import load_event
from controller.model.event import Arrivals, DrinksPerGuest, Handling, MenuShare, OnSale
from controller.rehearsal.evening import rehearse
from controller.rehearsal.evening_faults import read_fault

ROOT = Path(__file__).resolve().parents[2]
FETE, PROFILE, BOOK, _ = load_event(
    ROOT / "demo/fete_event.yaml", ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml"
)
# Three lines are enough: one drink without and one with hand steps, small containers that must be changed.
SMALL = msgspec.structs.replace(
    FETE,
    guests=12,
    starts="20:00",
    ends="21:00",
    drinks_per_guest=DrinksPerGuest(mean=2.0, distribution="fixed"),
    arrivals=Arrivals(),
    menu=(MenuShare(recipe="Blackcurrant Spritz", weight=2.0), MenuShare(recipe="Lime Soda", weight=1.0)),
    on_sale=(OnSale(liquid="soda", container_ml=1500.0), OnSale(liquid="blackcurrant cordial", container_ml=330.0)),
    handling=Handling(repair_s=120.0),
)


def small(*faults, profile=PROFILE, seed=5):
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    planned = [read_fault(one, SMALL, profile) for one in faults]
    return rehearse(SMALL, profile, BOOK, seed=seed, faults=planned)


@cache
def plain():
    """A rehearsal in which nothing goes wrong."""
    return small()


@cache
def troubled():
    """A rehearsal in which much goes wrong."""
    return small(
        "tube worn, line 6, 8 %, 20:00",
        "pump stalled, line 2, 20:15",
        "input stuck, stop, open, 20:25",
        "relay stuck on, line 4, 20:45",
    )
