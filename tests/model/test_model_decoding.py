"""How deeply JSON is nested, by counting brackets as RFC 8259 has them: those within strings are characters."""

import json
import random

import msgspec
import pytest

from controller.model.decoding import MOST_DEPTH, decode, is_too_deep

ANYTHING = msgspec.json.Decoder()


def nested(levels, rng):
    """A document of so many levels, with strings full of brackets and quotes, and shallow neighbours."""
    if levels == 0:
        return rng.choice(['[[["\\', "]}" * 40, '"[' * 40, 7, None])
    inner = nested(levels - 1, rng)
    beside: list[object] = [[] for _ in range(rng.randrange(40))] if levels > 2 else []
    return [*beside, inner] if rng.random() < 0.5 else {'a"{[\\': inner, "b": beside} if levels > 2 else {"a": inner}


@pytest.mark.parametrize("seed", range(50))
def test_nesting_at_the_limit_is_read_and_one_level_deeper_is_not(seed):
    rng = random.Random(seed)
    deepest, deeper = (json.dumps(nested(levels, rng)).encode() for levels in (MOST_DEPTH, MOST_DEPTH + 1))
    assert decode(ANYTHING, deepest) == json.loads(deepest)
    with pytest.raises(msgspec.DecodeError, match="nested more than"):
        decode(ANYTHING, deeper)


@pytest.mark.parametrize("text", [b"[" * 65_536, b'{"a":' * 13_000, (b"[" * 32 + b"]" * 31) * 1000, b'""[' * 9000])
def test_nesting_that_is_never_closed_is_too_deep(text):
    assert is_too_deep(text)


@pytest.mark.parametrize(
    "text", [b'"' + b"[" * 65_000, b'"' + b'\\"' * 32_000, b'"' + b"[" * 9000 + b"\\", b'"\xff"', b"9" * 5000]
)
def test_invalid_json_is_a_decoding_error_and_nothing_else(text):
    assert not is_too_deep(text)
    with pytest.raises(msgspec.DecodeError):
        decode(ANYTHING, text)
