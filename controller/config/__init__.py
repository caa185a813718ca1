"""Files that people edit, read into frozen values: every problem at once, with place and remedy.

`load`, `load_profile`, `load_book`, `load_event` read here; `load_in_child` and `Loading` read in a child process, for
processes that must stay small. Names are imported on use, so that such a process is spared YAML and pint.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.config.child_loading import Loading, load_in_child
    from controller.config.loading import load, load_book, load_event, load_profile
    from controller.config.schemas import schema, schema_text

__all__ = ["Loading", "load", "load_book", "load_event", "load_in_child", "load_profile", "schema", "schema_text"]

_HOME = {
    "load": "loading", "load_book": "loading", "load_event": "loading", "load_profile": "loading",
    "load_in_child": "child_loading", "Loading": "child_loading", "schema": "schemas", "schema_text": "schemas",
}  # fmt: skip


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__} has no {name}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
