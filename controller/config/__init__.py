"""Files that people edit, read into frozen values: every problem at once, with place and way out."""

from controller.config.load import load, load_book, load_profile
from controller.config.schema import schema, schema_text

__all__ = ["load", "load_book", "load_profile", "schema", "schema_text"]
