"""What may be the empty jar on the scale, and what may not."""

import pytest

from controller.engine.jar import doubt
from controller.model.book import Glass

GLASSES = (
    Glass(glass="tumbler", brim_ml=330.0, usable_ml=270.0, tare_g=285.0),
    Glass(glass="tall glass", brim_ml=400.0, usable_ml=350.0),
)


@pytest.mark.parametrize(
    ("load_g", "why"),
    [
        (60.0, ""),  # a plastic jug
        (900.0, ""),  # a heavy glass jar
        (4000.0, ""),
        (4001.0, "too much for an empty jar"),
        (285.0, "what the tumbler weighs"),
        (295.0, "what the tumbler weighs"),
        (295.1, ""),
    ],
)
def test_a_load_that_is_no_empty_jar_is_named(load_g, why):
    found = doubt(load_g, 2000.0, GLASSES)
    assert (why in found) if why else found == ""


def test_a_glass_of_the_book_may_be_the_jar_when_it_takes_as_much():
    assert doubt(285.0, 330.0, GLASSES) == ""
