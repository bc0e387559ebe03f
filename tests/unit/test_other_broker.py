"""A recording is said to another broker than the plant's, which must not learn who we are to the plant's."""

from __future__ import annotations

import pytest
from pydantic import SecretStr, ValidationError

from service.settings import Mqtt

PLANT = Mqtt(
    url="mqtts://plant.example:8883",
    username="bell",
    password=SecretStr("only for the plant"),
    ca_file=__file__,
    cert_file=__file__,
    key_file=__file__,
    protocol=3,
)


def test_another_broker_is_told_neither_name_nor_password_nor_certificate():
    other = PLANT.at("mqtts://test.example")
    assert (other.host, other.username, other.password) == ("test.example", None, None)
    assert (other.cert_file, other.key_file) == (None, None)
    assert (other.ca_file, other.protocol) == (PLANT.ca_file, 3), "whom we trust is no secret"


def test_a_broker_without_tls_needs_no_other_configuration():
    other = PLANT.at("mqtt://127.0.0.1:1884")
    assert (other.tls, other.ca_file, other.password) == (False, None, None)


def test_the_configured_one_knows_us():
    assert PLANT.at(PLANT.url) == PLANT


def test_what_is_no_broker_is_refused():
    with pytest.raises(ValidationError):
        PLANT.at("http://plant.example")
