"""The shipped files, read once in a process: profiles and books are never changed."""

from functools import cache
from pathlib import Path

from controller.config import load
from controller.model.book import Book
from controller.model.profile import Profile

ROOT = Path(__file__).resolve().parents[1]


@cache
def shipped(profile: str, book: str) -> tuple[Profile, Book]:
    """A profile of `hardware_profiles` and a book of `demo`, by the names of their files without the ending."""
    read = load(ROOT / f"hardware_profiles/{profile}.yaml", ROOT / f"demo/{book}.yaml")
    return read[0], read[1]
