"""Tokens end after a day, and renewing them turns everybody out; nothing of them is kept but their file."""

import os
import stat

import pytest

from controller.clock import VirtualClock
from controller.engine.http.access import place
from controller.engine.http.network import Network
from controller.engine.http.shares import OF_ONE_GUEST, Holder, Places
from controller.engine.http.tokens import LAST_S, Tokens
from tests.engine.lan_parts import GUEST, OPERATOR

WRITTEN_S = 1_789_000_000.0


@pytest.fixture
def clock():
    return VirtualClock(wall_s=WRITTEN_S)


@pytest.fixture
def tokens(tokens_file, clock):
    os.utime(tokens_file, (WRITTEN_S, WRITTEN_S))
    return Tokens(tokens_file, clock)


class Held:
    """A connection."""

    origin, waits_for_client = "192.168.1.77", True

    def __init__(self):
        self.is_open = True

    def abort(self):
        self.is_open = False


def test_tokens_expire_a_day_after_their_file_was_written(tokens, clock):
    own = tokens.guests.give().token.encode()
    clock.move_to(LAST_S)
    assert tokens.whose(OPERATOR.encode()) == ("operator", "")
    assert tokens.whose(own)[0] == "guest"
    clock.move_to(LAST_S + 1.0)
    assert [tokens.whose(one) for one in (OPERATOR.encode(), GUEST.encode(), own)] == [(None, "")] * 3
    assert tokens.texts() == {}


HOLDERS: tuple[Holder, ...] = ("operator", "guest")


def test_renewing_the_tokens_turns_everybody_out(tokens, tokens_file, clock):
    places, stays = Places(clock), Held()
    network = Network(place("0.0.0.0:8080", ("machine.local",)), tokens, places)
    before, own, held = network.view(), tokens.guests.give().token.encode(), [Held(), Held()]
    places.know(stays, "local")
    for one, holder in zip(held, HOLDERS, strict=True):
        places.know(one, holder)
    os.utime(tokens_file, (WRITTEN_S, WRITTEN_S))
    after = network.renew()
    assert [one.is_open for one in (stays, *held)] == [True, False, False]
    assert [tokens.whose(one)[0] for one in (OPERATOR.encode(), GUEST.encode(), own)] == [None] * 3
    assert len({before.operator_link, before.guest_link, after.operator_link, after.guest_link}) == 4
    assert after.operator_link.startswith("http://machine.local:8080/#token=")
    assert stat.S_IMODE(tokens_file.stat().st_mode) == 0o600
    assert Tokens(tokens_file, clock).texts() == tokens.texts()


def test_without_a_file_nobody_is_let_in(tmp_path, clock):
    tokens = Tokens(tmp_path / "tokens", clock)
    assert tokens.whose(b"") == tokens.whose(OPERATOR.encode()) == (None, "")
    tokens.renew()
    assert tokens.whose(tokens.texts()["operator"].encode()) == ("operator", "")


def test_a_guest_has_a_limited_number_of_connections(clock):
    places, held = Places(clock), [Held() for _ in range(OF_ONE_GUEST + 1)]
    other = Held()
    assert places.know(other, "guest", "ben")
    assert all(places.know(one, "guest", "anne") for one in held)
    assert [one.is_open for one in held] == [False] + [True] * OF_ONE_GUEST
    assert other.is_open
