"""``deploy/asyncapi.yaml`` holds against the schema that AsyncAPI publishes (package ``@asyncapi/specs``)."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from typing import Any

import jsonschema_rs
import pytest
import yaml

from tests.asyncapi.document import FILE
from tests.support.foreign import foreign_folder

MADE: dict[str, Any] = yaml.safe_load(FILE.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def published() -> jsonschema_rs.Draft7Validator:
    schemas = foreign_folder() / "node_modules" / "@asyncapi" / "specs" / "schemas"
    return jsonschema_rs.Draft7Validator(json.loads((schemas / "3.0.0.json").read_text(encoding="utf-8")))


def test_the_published_schema_takes_it(published: jsonschema_rs.Draft7Validator) -> None:
    assert MADE["asyncapi"] == "3.0.0"
    published.validate(MADE)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda made: made["info"].pop("version"),
        lambda made: made["operations"]["hearCount"].update(action="subscribe"),
        lambda made: made["operations"]["hearCount"]["bindings"]["mqtt"].update(qos=3),
        lambda made: made["components"]["parameters"]["line"].update(schema={"type": "string"}),
        lambda made: made["components"]["schemas"]["CountMessage"].update(type="counts"),
        lambda made: made["channels"]["count"].update(topic="floor"),
    ],
)
def test_the_published_schema_sees_what_is_wrong(
    published: jsonschema_rs.Draft7Validator, spoil: Callable[[dict[str, Any]], object]
) -> None:
    made = copy.deepcopy(MADE)
    spoil(made)

    assert not published.is_valid(made)


def test_whatever_it_points_at_is_there() -> None:
    """A JSON schema can't see that; AsyncAPI 3.0.0, "Reference Object", wants it resolved."""
    pointers = set(_pointers(MADE))

    assert len(pointers) > len(MADE["channels"])
    for pointer in pointers:
        found: Any = MADE
        for step in pointer.removeprefix("#/").split("/"):
            found = found[step]


def test_the_messages_of_an_operation_are_those_of_its_channel() -> None:
    """AsyncAPI 3.0.0, "Operation Object": a subset of the messages of the channel it references."""
    for operation in MADE["operations"].values():
        for message in operation["messages"]:
            assert message["$ref"].startswith(operation["channel"]["$ref"] + "/messages/")


def _pointers(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("$ref"), str):
            yield value["$ref"]
        for inner in value.values():
            yield from _pointers(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _pointers(inner)
