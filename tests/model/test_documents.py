"""What the documents name is there."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_every_test_that_developers_names_exists():
    named = set(re.findall(r"`((?:\w+/)+test_\w+\.py)`", (ROOT / "DEVELOPERS.md").read_text()))
    assert len(named) > 50
    assert {one for one in named if not (ROOT / "tests" / one).exists()} == set()
