"""Names as people type them: capital letters do not matter, and a wrong one is answered with the nearest."""

from collections.abc import Iterable
from difflib import get_close_matches

from controller.errors import Refused

NEAREST = 3  # names that a refusal suggests


def as_listed(part: str, typed: str, names: Iterable[str], *, rule: str = "book") -> str:
    """The name as the book writes it. Refused, with the nearest names or all of them, when it lists none such."""
    by_folded = {name.casefold(): name for name in names}
    folded = " ".join(typed.split()).casefold()
    if folded in by_folded:
        return by_folded[folded]
    near = get_close_matches(folded, by_folded, n=NEAREST, cutoff=0.5)
    near += [one for one in by_folded if folded and folded in one and one not in near][:NEAREST]
    suggested = [by_folded[one] for one in near]
    remedy = f"Did you mean {' or '.join(suggested)}?" if suggested else f"It has: {', '.join(by_folded.values())}."
    raise Refused(rule=rule, reason=f"the book has no {part} {typed!r}.", remedy=remedy)
