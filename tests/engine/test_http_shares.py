"""Places, paces and turns of those who connect, each by itself."""

import asyncio
from itertools import pairwise

import pytest

from controller.clock import VirtualClock
from controller.engine.http.events import STREAMS
from controller.engine.http.shares import (
    ARRIVALS_AT_ONCE,
    CLIENTS_KEPT,
    OF_ONE_ADDRESS,
    PARTY_AT_ONCE,
    SHARES,
    STRANGERS,
    Pace,
    Places,
    Turnstile,
    origin_of,
)


class Held:
    def __init__(self, origin, *, waits=True):
        self.origin, self.waits_for_client, self.is_open = origin, waits, True

    def abort(self):
        self.is_open = False


@pytest.fixture
def places():
    return Places(VirtualClock())


def open_of(held):
    return [one for one in held if one.is_open]


def arrive(places, origin, count=1):
    held = [Held(origin) for _ in range(count)]
    for one in held:
        places.arrive(one)
    return held


def test_an_address_that_opens_more_than_its_share_loses_its_own_oldest(places):
    other = arrive(places, "192.0.2.1")
    greedy = arrive(places, "192.0.2.2", OF_ONE_ADDRESS + 3)
    assert open_of(greedy) == greedy[3:]
    assert open_of(other) == other


@pytest.mark.parametrize("addresses", [16, 200])
def test_a_new_address_finds_a_place_whatever_others_hold(places, addresses):
    greedy = [one for number in range(addresses) for one in arrive(places, f"192.0.2.{number}", OF_ONE_ADDRESS)]
    assert len(open_of(greedy)) == STRANGERS
    (newcomer,) = arrive(places, "198.51.100.1")
    arrive(places, "198.51.100.2")
    assert newcomer.is_open
    assert len(open_of(greedy)) == STRANGERS - 2


def test_a_known_token_has_a_share_of_its_own_wherever_it_comes_from(places):
    guests = arrive(places, "192.0.2.1", OF_ONE_ADDRESS)
    assert all(places.know(one, "guest") for one in guests)
    arrive(places, "192.0.2.1", 2 * OF_ONE_ADDRESS)
    assert open_of(guests) == guests


def test_in_a_full_share_the_longest_idle_goes_and_requests_under_way_stay(places):
    held = [Held("192.0.2.1", waits=number in {5, 9}) for number in range(SHARES["operator"])]
    assert all(places.know(one, "operator") for one in held)
    assert places.know(held[5], "operator")  # asks again: 9 has been idle for longer now
    assert places.know(Held("192.0.2.1", waits=False), "operator")
    assert [one for one in held if not one.is_open] == [held[9]]
    assert places.know(Held("192.0.2.1", waits=False), "operator")
    assert not places.know(Held("192.0.2.1"), "operator")
    assert places.know(Held("192.0.2.1"), "guest")


@pytest.mark.parametrize("holder", ["local", "operator"])
def test_streams_alone_never_fill_a_share(places, holder):
    assert all(places.know(Held("192.0.2.1", waits=False), holder) for _ in range(STREAMS + 1))


def test_a_client_that_left_holds_no_place(places):
    for one in arrive(places, "192.0.2.1", OF_ONE_ADDRESS):
        places.leave(one)
        places.leave(one)
    held = arrive(places, "192.0.2.1", OF_ONE_ADDRESS)
    assert open_of(held) == held


def test_an_address_opens_so_many_in_a_second_and_others_do_not_wait():
    clock = VirtualClock()
    places = Places(clock)
    assert sum(places.lets_in("192.0.2.1") for _ in range(1000)) == ARRIVALS_AT_ONCE
    assert places.lets_in("192.0.2.2")
    clock.move_to(1.0)
    assert places.lets_in("192.0.2.1")


def test_an_address_with_a_known_token_opens_more_as_a_party_behind_one_router_does(places):
    places.know(Held("192.0.2.1"), "guest")
    assert sum(places.lets_in("192.0.2.1") for _ in range(1000)) == PARTY_AT_ONCE
    for number in range(CLIENTS_KEPT):
        places.know(Held(f"2001:db8:0:{number:x}::/64"), "guest")
    assert len(places._parties) == CLIENTS_KEPT


@pytest.mark.parametrize(
    ("host", "origin"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::1", "2001:db8:1:2::/64"),
        ("2001:db8:1:3::1", "2001:db8:1:3::/64"),
        ("fe80::1%eth0", "fe80::/64"),
    ],
)
def test_one_host_s_ipv6_addresses_count_as_one(host, origin):
    """Documentation addresses of RFC 5737 and RFC 3849; a host has a /64 to itself (RFC 4291 section 2.5.1)."""
    assert origin_of(host) == origin


def test_the_pace_is_kept_for_a_bounded_number_of_clients():
    pace = Pace(VirtualClock(), 1.0, 1.0)
    assert all(pace.allows(f"c{number}") for number in range(2 * CLIENTS_KEPT))
    assert not pace.allows(f"c{2 * CLIENTS_KEPT - 1}")
    assert len(pace._left) == CLIENTS_KEPT


def test_one_request_begins_in_a_turn_of_the_loop_the_operator_s_first():
    began = []

    async def ask(turnstile, holder, number):
        await turnstile.wait(holder)
        began.append((holder, number))

    async def scenario():
        turnstile = Turnstile()
        holders = [None, "guest", "guest", "operator"]
        asking = [asyncio.create_task(ask(turnstile, holder, number)) for number, holder in enumerate(holders)]
        gone = asyncio.create_task(ask(turnstile, "operator", "gone"))
        await asyncio.sleep(0)
        gone.cancel()
        counts = []
        while not all(one.done() for one in asking):
            counts.append(len(began))
            await asyncio.sleep(0)
        return counts

    counts = asyncio.run(scenario())
    assert began == [("operator", 3), ("guest", 1), ("guest", 2), (None, 0)]
    assert all(later - before <= 1 for before, later in pairwise(counts))
