"""An instance keeps its name over restarts, and two that live on one host never bear the same."""

from __future__ import annotations

import socket
import subprocess
import sys
import uuid

import pytest

from service.instance import claim


@pytest.fixture
def of() -> str:
    return uuid.uuid4().hex


def test_an_instance_is_named_as_configured_and_else_after_its_host(of: str) -> None:
    assert claim("hall 4", of=of).name == "hall 4"
    assert claim(None, of=of).name == socket.gethostname()


def test_a_second_one_of_one_name_on_one_host_gets_a_number(of: str) -> None:
    first, second = claim("hall 4", of=of), claim("hall 4", of=of)
    assert (first.name, second.name) == ("hall 4", "hall 4#2")
    assert first.life != second.life
    assert claim("hall 4", of=f"{of} another store").name == "hall 4"


def test_one_that_ended_leaves_its_name_to_its_next_life(of: str) -> None:
    first = claim("hall 4", of=of)
    first.leave()
    again = claim("hall 4", of=of)
    assert (again.name, again.life != first.life) == ("hall 4", True)


def test_the_death_of_a_process_frees_its_name(of: str) -> None:
    code = (
        "import sys; from service.instance import claim; me = claim('hall 4', of=sys.argv[1]);"
        " print(me.name, flush=True); sys.stdin.read()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, of], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "hall 4\n"
    assert claim("hall 4", of=of).name == "hall 4#2"
    other.kill()
    other.communicate()
    assert claim("hall 4", of=of).name == "hall 4"
