"""A request that a moment's patience satisfies is asked again by the engine's interface, not by whoever sent it."""

import asyncio
from types import SimpleNamespace
from typing import cast

import pytest

from controller.engine.background import Work
from controller.engine.engine import Engine
from controller.engine.http import asking
from controller.errors import Refused


class Platform:
    """A load that comes to rest after so many looks; who looks is refused by `rule` until then."""

    def __init__(self, looks: int, rule: str = "scale_restless") -> None:
        self.left, self.rule = looks, rule

    def __call__(self) -> str:
        self.left -= 1
        if self.left >= 0:
            raise Refused(rule=self.rule, reason="the load has moved.", remedy="Hands off.")
        return "at rest"


def asked_of(platform: Platform) -> str:
    engine = SimpleNamespace(answer=lambda tag: None, subscribe=lambda listener: lambda: None, work=Work())
    asks = asking.Asking(cast(Engine, engine), lambda: None)
    command = asks.command("take_scale", platform, bool, waits_for=("scale_restless",))
    return asyncio.run(command)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(asking, "AGAIN_S", 0.01)
    monkeypatch.setattr(asking, "PATIENCE_S", 0.5)


def test_a_reading_is_asked_for_until_the_load_is_at_rest():
    assert asked_of(Platform(looks=3)) == "at rest"


def test_another_rule_refuses_at_once():
    platform = Platform(looks=3, rule="scale_zero")
    with pytest.raises(Refused, match="moved"):
        asked_of(platform)
    assert platform.left == 2


def test_asking_for_a_load_at_rest_times_out():
    with pytest.raises(Refused, match="moved"):
        asked_of(Platform(looks=10**6))
