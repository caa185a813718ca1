"""Opening the local network: what is written, which names are answered, what a code holds."""

from ipaddress import IPv4Address
from pathlib import Path

import pytest

from controller.cli.network import commands, facts, plan
from controller.cli.network.commands import wifi_text
from controller.cli.network.facts import NetworkHost, names_for

SHIPPED = (Path(__file__).resolve().parents[2] / "systemd/tundish-engine-lan.conf").read_text()
LINKS = {
    "is_on": True, "host": "0.0.0.0", "port": 8080, "names": ["machine.local"], "ends_wall_s": 1_789_086_400.0,
    "operator_link": "http://machine.local:8080/#token=of-the-operator-0123456789",
    "guest_link": "http://machine.local:8080/#token=of-the-guests-0123456789",
}  # fmt: skip


def test_the_drop_in_holds_port_and_names_and_keeps_the_sandbox():
    text = plan.drop_in(SHIPPED, port=8081, names=("machine.local", "192.168.1.5"), certificate=None)
    assert "Environment=TUNDISH_LAN=0.0.0.0:8081\n" in text
    assert 'Environment="TUNDISH_LAN_NAMES=machine.local 192.168.1.5"\n' in text
    assert "IPAddressAllow=localhost 10.0.0.0/8" in text
    assert "token" not in text.lower().replace("tokens are drawn", "")
    assert "CERTIFICATE" not in text


def test_a_certificate_is_handed_over_as_a_credential():
    text = plan.drop_in(SHIPPED, port=8443, names=("m.local",), certificate=(Path("/etc/c.pem"), Path("/etc/k.pem")))
    assert "LoadCredential=key:/etc/k.pem\n" in text
    assert "Environment=TUNDISH_CERTIFICATE=%d/certificate\n" in text


def test_a_step_already_done_is_not_repeated():
    wanted = plan.drop_in(SHIPPED, port=8080, names=("m.local",), certificate=None)
    assert all(step.is_done for step in plan.plan_on(wanted, wanted))
    assert not any(step.is_done for step in plan.plan_on(None, wanted))
    assert not any(step.is_done for step in plan.plan_off(wanted))
    assert all(step.is_done for step in plan.plan_off(None))


@pytest.mark.parametrize(
    ("held", "expected"),
    [((), None), (("127.0.0.1", "203.0.113.9", "169.254.7.7"), None), (("127.0.0.1", "192.168.4.1"), "192.168.4.1")],
)
def test_on_a_network_of_its_own_no_way_leads_out_and_the_address_is_that_of_an_interface(monkeypatch, held, expected):
    assert IPv4Address("127.0.0.1") in list(facts._held())
    monkeypatch.setattr(facts, "_routed", lambda: ())
    monkeypatch.setattr(facts, "_held", lambda: map(IPv4Address, held))
    assert facts.look().address == expected


def test_the_announced_name_comes_before_the_address():
    assert names_for(NetworkHost(address="192.168.1.5", mdns="machine.local"), ()) == ("machine.local", "192.168.1.5")
    assert names_for(NetworkHost(address="192.168.1.5", mdns=None), ("Bar.lan",)) == ("bar.lan", "192.168.1.5")


def test_the_links_are_shown_with_their_end_and_the_caution(tundish, engine):
    engine.answers["GET", "network"] = 200, LINKS
    shown = tundish("network").output
    for text in (LINKS["operator_link"], LINKS["guest_link"], "hold until", "anybody on this network can read"):
        assert text in shown
    engine.answers["GET", "network"] = 200, LINKS | {"is_encrypted": True}
    assert "anybody" not in tundish("network").output


def test_an_invitation_is_a_code_of_the_guests_link_and_of_the_network(tundish, engine):
    engine.answers["GET", "network"] = 200, LINKS
    shown = tundish("invite", "--network", "fete", "--password", "apples; and pears")
    assert shown.exit_code == 0
    assert LINKS["guest_link"] in shown.output
    assert LINKS["operator_link"] not in shown.output
    assert shown.output.count("\u2580") > 200  # blocks of two codes
    assert wifi_text("fete", "apples; and pears") == "WIFI:T:WPA;S:fete;P:apples\\; and pears;;"


def test_without_a_network_there_is_no_invitation(tundish, engine):
    engine.answers["GET", "network"] = 200, {"is_on": False}
    shown = tundish("invite")
    assert (shown.exit_code, "tundish network on" in shown.output) == (1, True)


@pytest.mark.parametrize("word", ["on", "off"])
def test_without_a_service_it_says_what_to_do(tundish, monkeypatch, word):
    monkeypatch.setattr(commands, "UNITS", Path("/nowhere"))
    monkeypatch.setattr(facts, "look", lambda: NetworkHost(address="192.168.1.5", mdns=None))
    shown = tundish("network", word)
    assert (shown.exit_code, "tundish up --lan" in shown.output) == (1, True)
