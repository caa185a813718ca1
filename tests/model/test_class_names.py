"""Every class name means one thing."""

import re
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_no_two_classes_have_one_name():
    sources = (path.read_text(encoding="utf-8") for path in (ROOT / "controller").rglob("*.py"))
    names = Counter(name for source in sources for name in re.findall(r"^class (\w+)", source, re.MULTILINE))
    assert [name for name, count in names.items() if count > 1] == []
