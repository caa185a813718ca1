"""The page's words as its scripts read them."""

import json
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "controller" / "page"
FOLDERS = ("texts", "rules", "operator/texts")
LANGUAGES = ("en", "de")


def texts(folder, language):
    """Key -> text, or its forms; a key that ends in _ begins all those below it."""
    return dict(_flat(json.loads((FOLDER / folder / f"{language}.json").read_text()), ""))


def _flat(found, before):
    for key, text in found.items():
        if key.endswith("_"):
            yield from _flat(text, before + key)
        else:
            yield before + key, text
