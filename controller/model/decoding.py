"""Reading JSON that others write: how deeply it may be nested is settled before anything is decoded."""

import re
from itertools import accumulate
from typing import TypeVar

import msgspec

MOST_DEPTH = 32  # levels; the deepest message of our own has 7

_STRING = re.compile(rb'"(?:[^"\\]++|\\.)*+(?:"|\\?\Z)', re.DOTALL)  # linear; also takes one that does not end
_OTHERS = bytes(set(range(256)) - set(b"[]{}"))
_STEPS = {ord("["): 1, ord("{"): 1, ord("]"): -1, ord("}"): -1}

T = TypeVar("T")


def decode(decoder: msgspec.json.Decoder[T], text: bytes) -> T:
    """The value that the text stands for; msgspec.DecodeError whatever is wrong with the text."""
    if is_too_deep(text):
        raise msgspec.DecodeError(f"nested more than {MOST_DEPTH} levels deep")
    try:
        return decoder.decode(text)
    except UnicodeDecodeError as error:
        raise msgspec.DecodeError(str(error)) from error


def is_too_deep(text: bytes) -> bool:
    """Whether arrays and objects lie in one another more than MOST_DEPTH levels deep."""
    if text.count(b"[") + text.count(b"{") <= MOST_DEPTH:
        return False
    brackets = _STRING.sub(b"", text).translate(None, _OTHERS)
    return any(depth > MOST_DEPTH for depth in accumulate(map(_STEPS.__getitem__, brackets)))
