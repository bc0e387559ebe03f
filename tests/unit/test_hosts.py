"""Which hosts may be named, and to which addresses a name may lead."""

from __future__ import annotations

from ipaddress import ip_address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.hosts import check_allowed, check_host, refusal, special


@pytest.mark.parametrize(
    "host",
    [
        "chat.plant.example",
        "chat",
        "localhost",
        "127.0.0.1",
        "10.1.2.3",
        "::1",
        "fd12::5",
        "100.64.0.9",
        "169.254.7.1",
        "werk-süd.example",
        "xn--wrk-süd.example",
        "3com.example",
        "0xcafe.example",
        "line3.0x7f.example",
    ],
)
def test_names_and_addresses_in_the_usual_form_can_be_meant(host: str) -> None:
    check_host(host)


@pytest.mark.parametrize(
    "host",
    [
        "127.1",
        "127.0.1",
        "0x7f000001",
        "0X7F.0.0.1",
        "2130706433",
        "017700000001",
        "0177.0.0.1",
        "127.0.0.01",
        "127.0.0.1.",
        "1.2.3.4.5",
        "256.1.1.1",
        "chat.0x7f",
        "0x",
        "①②⑦.0.0.1",
        "127。0。0。1",
        "\uff11\uff12\uff17.0.0.1",
        "::ffff:127.0.0.1",
        "::ffff:7f00:1",
        "::127.0.0.1",
        "2002:7f00:1::",
        "fe80::1%eth0",
        "0.0.0.0",
        "::",
        "224.0.0.1",
        "ff02::1",
        "::1::2",
    ],
)
def test_odd_forms_of_an_address_can_not_be_meant(host: str) -> None:
    with pytest.raises(ValueError, match=r"address|interface"):
        check_host(host)


@pytest.mark.parametrize(
    "address", ["10.0.0.1", "172.20.1.1", "192.168.3.4", "fd12:3456::1", "9.9.9.9", "2620:fe::9"]
)
def test_a_name_may_lead_to_public_and_to_the_plants_private_addresses(address: str) -> None:
    assert refusal("chat.plant.example", ip_address(address)) is None


@pytest.mark.parametrize(
    ("address", "what"),
    [
        ("127.0.0.1", "loopback"),
        ("127.255.255.254", "loopback"),
        ("::1", "loopback"),
        ("169.254.169.254", "metadata"),
        ("fd00:ec2::254", "metadata"),
        ("100.100.100.200", "metadata"),
        ("168.63.129.16", "metadata"),
        ("169.254.0.1", "link-local"),
        ("fe80::1", "link-local"),
        ("fec0::1", "link-local"),
        ("224.0.0.251", "multicast"),
        ("ff02::fb", "multicast"),
        ("100.64.0.1", "shared"),
        ("100.127.255.255", "shared"),
        ("0.0.0.0", "unspecified"),
        ("0.1.2.3", "unspecified"),
        ("::", "unspecified"),
        ("::ffff:127.0.0.1", "IPv6 form"),
        ("::ffff:10.0.0.1", "IPv6 form"),
        ("::7f00:1", "IPv6 form"),
        ("2002:7f00:1::1", "IPv6 form"),
        ("64:ff9b::7f00:1", "loopback"),
        ("64:ff9b::a9fe:a9fe", "metadata"),
        ("192.0.2.1", "reserved"),
        ("198.18.0.1", "reserved"),
        ("240.0.0.1", "reserved"),
        ("255.255.255.255", "reserved"),
        ("2001:db8::1", "reserved"),
    ],
)
def test_a_name_may_not_lead_to_this_machine_its_wire_or_a_clouds_own_machines(
    address: str, what: str
) -> None:
    said = refusal("chat.plant.example", ip_address(address))
    assert said is not None
    assert what in said
    assert address not in said


def test_nat64_is_judged_by_the_address_behind_it() -> None:
    assert refusal("chat.example", ip_address("64:ff9b::909:909")) is None


def test_an_address_that_was_written_is_meant_and_no_other() -> None:
    for address in ("127.0.0.1", "169.254.7.1", "100.64.0.9"):
        assert refusal(address, ip_address(address)) is None
    assert refusal("127.0.0.1", ip_address("127.0.0.2")) is not None


@pytest.mark.parametrize("name", ["localhost", "LOCALHOST", "localhost."])
def test_localhost_says_loopback_and_nothing_else_special(name: str) -> None:
    assert refusal(name, ip_address("127.0.0.1")) is None
    assert refusal(name, ip_address("::1")) is None
    assert refusal(name, ip_address("169.254.169.254")) is not None
    assert refusal("localhost.evil.example", ip_address("127.0.0.1")) is not None


def test_a_network_that_is_allowed_opens_itself_only() -> None:
    allowed = [ip_network("100.64.0.0/16")]
    assert refusal("chat.plant.example", ip_address("100.64.3.4"), allowed) is None
    assert refusal("chat.plant.example", ip_address("100.65.3.4"), allowed) is not None


def test_metadata_stays_closed_in_a_network_that_is_allowed() -> None:
    allowed = [ip_network("100.64.0.0/10"), ip_network("169.254.0.0/16")]
    assert refusal("chat.plant.example", ip_address("100.100.100.200"), allowed) is not None
    assert refusal("chat.plant.example", ip_address("169.254.169.254"), allowed) is not None


@pytest.mark.parametrize("network", ["100.64.0.0/10", "169.254.7.0/24", "fe80::/64", "198.18.0.0/15"])
def test_networks_without_machines_of_ours_may_be_allowed(network: str) -> None:
    check_allowed(network)


@pytest.mark.parametrize(
    "network",
    [
        "127.0.0.0/8",
        "127.0.0.1",
        "0.0.0.0/0",
        "::/0",
        "::1",
        "64:ff9b::/96",
        "plant",
        "100.64.0.1/10",
        "",
    ],
)
def test_no_name_is_ever_allowed_to_lead_to_this_machine(network: str) -> None:
    with pytest.raises(ValueError, match=r"holds addresses|is no network"):
        check_allowed(network)


@given(st.ip_addresses())
def test_what_is_not_special_is_public_or_private_and_never_local(address) -> None:
    if special(address) is None:
        assert not address.is_loopback
        assert not address.is_link_local
        assert not address.is_multicast
        assert not address.is_unspecified
