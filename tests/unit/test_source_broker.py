"""Which broker a source is heard at, and who we are to it."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.outside import problems, source_broker, translators
from service.settings import load

MAIN = """
[mqtt]
url = "mqtt://floor.plant.example:1884"
client_id = "bell"
username = "bell"
password = "for-the-floor"
protocol = 3
"""


@pytest.fixture
def settings(tmp_path: Path):
    def read(source: str):
        file = tmp_path / "earlybell.toml"
        file.write_text(MAIN + '[[source]]\nname = "north"\nformat = "native"\n' + source)
        return load(file, {})

    return read


def broker_of(settings):
    return source_broker(settings, settings.sources[0])


def test_what_a_source_does_not_say_is_as_for_the_rest_but_for_its_session(settings):
    broker = broker_of(settings('root = "north"'))

    assert (broker.host, broker.port, broker.protocol) == ("floor.plant.example", 1884, 3)
    assert (broker.username, broker.password) == ("bell", "for-the-floor")
    assert broker.client_id == "bell-north"


def test_another_broker_is_not_told_who_we_are_to_the_first(settings):
    broker = broker_of(settings('url = "mqtt://north.plant.example"'))

    assert (broker.host, broker.port) == ("north.plant.example", 1883)
    assert (broker.username, broker.password) == (None, None)


def test_a_source_may_have_a_login_and_a_name_of_its_own(settings):
    broker = broker_of(
        settings(
            'root = "north"\nusername = "reader"\npassword = "for-the-north"\nclient_id = "n1"\nprotocol = 5'
        )
    )

    assert (broker.username, broker.password) == ("reader", "for-the-north")
    assert (broker.client_id, broker.protocol) == ("n1", 5)


def test_a_source_on_trial_counts_nowhere(settings):
    assert list(translators(settings('root = "north"'))) == ["north"]
    assert translators(settings('root = "north"\ntrial = true')) == {}


def test_a_file_of_a_source_that_tls_can_not_use_is_told_by_its_name(settings):
    read = settings(f'root = "north"\nurl = "mqtts://north.plant.example"\nca_file = "{__file__}"')
    (found,) = problems(read)
    assert found.startswith(f"source north: {__file__}: ")
