"""``deploy/asyncapi.yaml`` says what the code does: made from the same types, as strict as the decoder."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import jsonschema_rs
import pytest
import yaml

from service.wire.native import _DECODERS, Misfit, clean_name, read_message, read_topic
from tests.asyncapi.document import FILE, document, written

MADE: dict[str, Any] = yaml.safe_load(FILE.read_text(encoding="utf-8"))
HEARD = {
    MADE["operations"][name]["channel"]["$ref"].rsplit("/", 1)[1]: operation
    for name, operation in MADE["operations"].items()
    if operation["action"] == "receive"
}
EXAMPLES = [
    (channel, example["name"], example["payload"])
    for channel in HEARD
    for example in MADE["components"]["messages"][channel]["examples"]
]

AWKWARD: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    0.5,
    2**53 - 1,
    2**53,
    1_000_001,
    "",
    "on",
    "F07",
    "no name: spaces",
    "Zuführung-Ä.7",
    "x" * 64,
    "x" * 65,
    "x" * 256,
    "x" * 257,
    "2026-03-02T06:14:07+01:00",
    "2026-03-02T06:14:07",
    "2026-13-02T06:14:07Z",
    "delta",
    "dry",
    "counted",
    "undone",
    "tray",
    "running",
    "flashing",
    [],
    ["T2"],
    ["no name: spaces"],
    [["F07", "F08"]],
    [[""]],
    {},
    {"F07": 1},
    {"F07": {}},
    {"F07": {"placed": 1, "lost": None}},
    {"": {"placed": 1}},
    {"red": "on"},
    {"purple": "on"},
)
"""Values that fit in one place and not in another."""


def topic_of(channel: str, payload: object = None) -> str:
    """Its address with the parameters' own examples in it, or with the name that the payload says."""
    said = MADE["components"]["parameters"]
    likes = {name: said[name]["examples"][0] for name in MADE["channels"][channel]["parameters"]}
    named = {"recipeByName": "recipe", "orderByName": "order"}.get(channel, "")
    if isinstance(payload, dict) and isinstance(payload.get(named), str) and payload[named]:
        likes[named] = payload[named]
    return str(MADE["channels"][channel]["address"].format(**likes))


def schema_of(channel: str) -> jsonschema_rs.Draft7Validator:
    """AsyncAPI's own schema language is a superset of JSON Schema draft 07 (its specification, "Schema
    Object")."""
    payload = MADE["components"]["messages"][channel]["payload"]
    return jsonschema_rs.Draft7Validator(
        {"allOf": [payload], "components": MADE["components"]}, validate_formats=True
    )


SCHEMAS = {channel: schema_of(channel) for channel in HEARD}


def refusal(channel: str, payload: object) -> str | None:
    """Why the decoder refuses it; ``None``: it is taken."""
    try:
        address = read_topic(topic_of(channel, payload).encode(), "floor")
        read_message(address, json.dumps(payload, ensure_ascii=False).encode())
    except Misfit as misfit:
        return str(misfit)
    return None


def bent(payload: Any) -> Iterator[Any]:
    """The payload with one value anywhere in it replaced by each awkward one, or left out."""
    for path in paths(payload):
        for value in AWKWARD:
            changed = copy.deepcopy(payload)
            holder = follow(changed, path[:-1])
            holder[path[-1]] = copy.deepcopy(value)
            yield changed
        changed = copy.deepcopy(payload)
        del follow(changed, path[:-1])[path[-1]]
        yield changed


def paths(value: Any, before: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield (*before, key)
        yield from paths(inner, (*before, key))


def follow(value: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        value = value[key]
    return value


def test_the_file_is_what_the_types_make_today() -> None:
    assert FILE.read_text(encoding="utf-8") == written(document()), "run `make asyncapi` and commit the file"


def test_the_yaml_says_what_was_made_and_nothing_else() -> None:
    assert document() == MADE


def test_every_kind_of_message_that_is_read_has_its_channels() -> None:
    kinds = {read_topic(topic_of(channel).encode(), "floor").kind for channel in HEARD}

    assert kinds == set(_DECODERS)
    assert len(HEARD) == len({topic_of(channel) for channel in HEARD}) == 8


def test_every_name_in_the_examples_of_parameters_is_a_name() -> None:
    for name in ("line", "station", "slot"):
        for like in MADE["components"]["parameters"][name]["examples"]:
            assert clean_name(like, name) == like


@pytest.mark.parametrize(("channel", "name", "payload"), EXAMPLES)
def test_an_example_is_taken_and_fits_its_schema(channel: str, name: str, payload: object) -> None:
    assert refusal(channel, payload) is None
    SCHEMAS[channel].validate(payload)


@pytest.mark.parametrize(("channel", "name", "payload"), EXAMPLES)
def test_what_is_bent_is_refused_by_both_or_by_neither(channel: str, name: str, payload: object) -> None:
    read = ((changed, refusal(channel, changed)) for changed in bent(payload))
    differing = [
        (changed, reason)
        for changed, reason in read
        if (reason is None) is not SCHEMAS[channel].is_valid(changed)
    ]

    assert differing == []


@pytest.mark.parametrize("channel", HEARD)
def test_both_refuse_something_and_take_something(channel: str) -> None:
    """The check above isn't one of two readers that take everything."""
    verdicts = {
        refusal(channel, changed) is None
        for each, _, payload in EXAMPLES
        if each == channel
        for changed in bent(payload)
    }

    assert verdicts == {True, False}


@pytest.mark.parametrize("channel", HEARD)
@pytest.mark.parametrize("payload", [[], "x", 7, None, True, {}])
def test_what_is_no_message_at_all_is_refused_by_both(channel: str, payload: object) -> None:
    assert refusal(channel, payload) is not None
    assert not SCHEMAS[channel].is_valid(payload)


@pytest.mark.parametrize(
    "payload",
    [
        b'{"slots": {"F07": {"placed": 1.0}}}',
        b'{"slots": {"F07": {"placed": 1e3}}}',
        b'{"slots": {}, "seq": 1, "seq": 2}',
        b'{"slots": {"F07": {"placed": 1}, "F07": {"placed": 2}}}',
        b'{"slots": {"F07": {"placed": 1}}} {}',
        b'{"slots": {"F07": {"placed": 1}}, "lane": "' + b"x" * 65536 + b'"}',
        b'\xff{"slots": {}}',
    ],
)
def test_what_only_words_can_say_is_refused_as_they_say(payload: bytes) -> None:
    """JSON Schema sees values, not how they are written."""
    with pytest.raises(Misfit):
        read_message(read_topic(b"floor/L3/P1/count", "floor"), payload)


def test_what_is_kept_by_the_broker_is_said_to_be() -> None:
    """The table of the README: recipes, orders and links are retained, all that we say but a resend too."""
    retained = {
        operation["channel"]["$ref"].rsplit("/", 1)[1]
        for operation in MADE["operations"].values()
        if operation["bindings"]["mqtt"]["retain"]
    }

    assert retained == {
        *("recipe", "recipeByName", "order", "orderByName", "link"),
        *("forecast", "notices", "plan", "received"),
    }
    assert {each["bindings"]["mqtt"]["qos"] for each in MADE["operations"].values()} == {1}
