"""What the parts of the engine have in common."""

from dataclasses import dataclass

from controller.clock import Clock
from controller.engine.background import Work
from controller.engine.commissioning import Commissioning
from controller.engine.guard_mirror import GuardMirror
from controller.engine.learning import Learning
from controller.engine.operation_start import OperationStart
from controller.ledger.store import Ledger
from controller.model.book import Book
from controller.model.profile import Profile


@dataclass(frozen=True, kw_only=True)
class Common:
    """One machine with one book; strict: the book with the stricter figures of what hangs and stands in the lines."""

    profile: Profile
    book: Book
    strict: Book
    ledger: Ledger
    clock: Clock
    work: Work
    mirror: GuardMirror
    commissioning: Commissioning
    operation_start: OperationStart
    learning: Learning
