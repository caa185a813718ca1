"""Reads the published tables that lie beside the tests."""

import csv
import json
from pathlib import Path
from typing import Any

REFERENCE = Path(__file__).resolve().parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def values(name: str) -> Any:
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))
