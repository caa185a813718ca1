"""The JSON Schemas: valid, strict, shipped as generated, and accepting what loading accepts."""

import copy
import json

import jsonschema
import pytest
import yaml

from controller.config import schema, schema_text
from tests.config.faulty_files import BOOK, BOOKS, PROFILE, ROOT

SHIPPED = {
    "profile": ROOT / "hardware_profiles" / "profile.schema.json",
    "book": ROOT / "demo" / "book.schema.json",
    "event": ROOT / "demo" / "event.schema.json",
}
FILES = [("profile", path) for path in sorted((ROOT / "hardware_profiles").glob("*.yaml"))]
FILES += [("book", path) for path in BOOKS]
FILES += [("event", path) for path in sorted((ROOT / "demo").glob("*_event.yaml"))]


def _errors(name, value):
    return list(jsonschema.Draft202012Validator(schema(name)).iter_errors(value))


@pytest.mark.parametrize("name", SHIPPED)
def test_schemas_are_valid_and_shipped_as_generated(name):
    jsonschema.Draft202012Validator.check_schema(schema(name))
    again = f"write it anew: tundish schema {name} > {SHIPPED[name].relative_to(ROOT)}"
    assert SHIPPED[name].read_text(encoding="utf-8") == schema_text(name), again
    assert json.loads(schema_text(name)) == schema(name)


@pytest.mark.parametrize(("name", "path"), FILES, ids=lambda value: getattr(value, "stem", value))
def test_every_shipped_file_is_valid_and_names_its_schema(name, path):
    text = path.read_text(encoding="utf-8")
    assert _errors(name, yaml.safe_load(text)) == []
    assert text.startswith(f"# yaml-language-server: $schema={SHIPPED[name].name}\n")
    assert (path.parent / SHIPPED[name].name).exists()


@pytest.mark.parametrize("name", SHIPPED)
def test_every_group_refuses_unknown_keys(name):
    whole = schema(name)
    groups = [whole, *whole["$defs"].values()]
    assert len(groups) >= 5
    for group in groups:
        assert group["additionalProperties"] is False
        assert group["description"]
        assert set(group["required"]) <= group["properties"].keys()


def test_quantities_carry_a_pattern_an_example_and_a_range():
    volume = schema("profile")["$defs"]["Caps"]["properties"]["serving_volume"]
    assert volume["type"] == "string"
    assert volume["examples"] == ["350 mL"]
    assert "at most 2 L, usually 20 mL to 1 L: no glass holds more" in volume["description"]
    inrush = schema("profile")["$defs"]["Pump"]["properties"]["inrush_current"]
    assert inrush["description"].startswith("total current just after switching on")


# Path into the file, a value that loading refuses, and whether the file is the profile.
WRONG = [
    ("profile", ("caps", "serving_volume"), 350),
    ("profile", ("caps", "serving_volume"), "350"),
    ("profile", ("caps", "serving_volume"), "12 oz"),
    ("profile", ("caps", "serving_volume"), "350 Ml"),
    ("profile", ("caps", "serving_volume"), "-350 mL"),
    ("profile", ("caps", "serving_volume"), "nan mL"),
    ("profile", ("caps", "concurrent"), "6"),
    ("profile", ("caps", "concurrent"), 1.5),
    ("profile", ("caps", "duty_fraction"), 1.5),
    ("profile", ("lines", 0, "gpio"), 28),
    ("profile", ("lines", 0, "wire", "section"), "22 awg"),
    ("profile", ("relay_board", "active_level"), "Low"),
    ("profile", ("colour",), "red"),
    ("book", ("recipes", 0, "phases", 0, "doses", 0, "volume"), "2 oz"),
    ("book", ("recipes", 0, "phases", 0, "doses", 0, "volume"), "2 parts"),
    ("book", ("recipes", 0, "phases", 0, "doses", 0, "volume"), 45),
    ("book", ("recipes", 0, "phases", 0, "doses", 0, "parts"), 2),
    ("book", ("recipes", 0, "phases", 0, "doses", 0, "parts"), "2"),
    ("book", ("liquids", 0, "allergens"), ["sulfites"]),
    ("book", ("liquids", 0, "abv"), 5),
    ("book", ("title",), ""),
]


@pytest.mark.parametrize(("name", "path", "value"), WRONG)
def test_schemas_refuse_what_loading_refuses(name, path, value):
    whole = copy.deepcopy(yaml.safe_load((PROFILE if name == "profile" else BOOK).read_text(encoding="utf-8")))
    place = whole
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert _errors(name, whole)


@pytest.mark.parametrize(
    "value", ["45 mL", "4.5 cL", ".5 L", "1.5 US_floz", "2 imp_floz", "2 dash", "3dash", "1e2 mL", "+45  mL"]
)
def test_schemas_accept_what_people_may_write_for_a_dose(value):
    whole = yaml.safe_load(BOOK.read_text(encoding="utf-8"))
    whole["recipes"][0]["phases"][0]["doses"][0]["volume"] = value
    assert _errors("book", whole) == []
