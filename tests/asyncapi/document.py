"""Our MQTT contract as an AsyncAPI 3.0.0 document: shapes, bounds and defaults from the code's types, words
from ``words.yaml``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

import msgspec
import yaml
from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from service.domain import events
from service.settings import Mqtt
from service.usecases.resend import Received, Wanted
from service.web.plan import PlanView
from service.web.schemas import NoticeView, SlotForecast

FILE = Path(__file__).parents[2] / "deploy" / "asyncapi.yaml"
HEAD = "# Made from the code's types by `make asyncapi`; edit those, or tests/asyncapi/words.yaml.\n"
WORDS = yaml.safe_load(Path(__file__).with_name("words.yaml").read_text(encoding="utf-8"))
MODELS: tuple[type[BaseModel], ...] = (SlotForecast, NoticeView, PlanView)
STRUCTS = (Received, Wanted)
SCHEMAS = "#/components/schemas/"
NAME = {
    "description": "1 to 64 letters of any script (with their marks), digits, `.`, `_`, `-`, once it is NFC.",
    "type": "string",
    "pattern": r"^[\p{L}\p{M}\p{Nd}._-]{1,64}$",
}
LONG = 80
"""Characters: what has more is not written on one line."""
Json = dict[str, Any]


def document() -> Json:
    ours = Mqtt()
    channels, operations, messages = {}, {}, {}
    for words in WORDS["heard"].values():
        for name, topic in words["topics"].items():
            messages[name] = _message(words, _shape_heard(words, topic))
            channels[name] = _channel(f"{ours.floor_root}/{topic}", name, words)
            operations[f"hear{_capital(name)}"] = _operation("receive", name, words.get("retain", False))
    for name, words in WORDS["said"].items():
        shape = {"$ref": SCHEMAS + words["says"]}
        messages[name] = _message(words, {"type": "array", "items": shape} if words.get("many") else shape)
        channels[name] = _channel(f"{ours.out_root}/{words['topic']}", name, words)
        operations[f"say{_capital(name)}"] = _operation("send", name, words["retain"])
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Earlybell",
            "version": "1",
            "description": WORDS["info"],
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "broker": {
                "host": f"{ours.host}:{ours.port}",
                "protocol": "mqtt",
                "protocolVersion": str(ours.protocol),
                "description": WORDS["server"],
            }
        },
        "channels": channels,
        "operations": operations,
        "components": {
            "parameters": {
                name: {"description": words["says"], "examples": [words["like"]]}
                for name, words in WORDS["parameters"].items()
            },
            "messages": messages,
            "schemas": schemas(),
        },
    }


def schemas() -> Json:
    """Every shape by its name: what is heard as strict as its decoder is, what is said as the API describes
    it."""
    heard = [getattr(events, words["says"]) for words in WORDS["heard"].values()]
    _, shapes = msgspec.json.schema_components([*heard, *STRUCTS], ref_template=SCHEMAS + "{name}")
    told = models_json_schema(
        [(model, "serialization") for model in MODELS], ref_template=SCHEMAS + "{model}"
    )
    by_name = {name: _tidy(shape) for name, shape in (shapes | told[1]["$defs"]).items()}
    for name, words in WORDS["schemas"].items():
        shape = by_name[name] = {"title": name, "description": words["description"]} | by_name[name]
        shape["description"] = words["description"]
        for field, schema in shape["properties"].items():
            shape["properties"][field] = {"description": words["fields"][field]} | schema
        _merge(shape, words.get("also", {}))
    lamps = by_name["TowerMessage"]["properties"]["lamps"]
    lamps["propertyNames"] = {"enum": list(get_args(events.Colour))}
    return {"Name": NAME} | by_name


def written(made: Json) -> str:
    """As YAML for people to read: small things on one line, texts of several lines as blocks."""
    return HEAD + yaml.dump(
        made, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=110, default_flow_style=None
    )


def _shape_heard(words: Json, topic: str) -> Json:
    shape, named = {"$ref": SCHEMAS + words["says"]}, words.get("named")
    if named is None or f"{{{named}}}" in topic:
        return shape
    return {"allOf": [shape, {"required": [named], "properties": {named: {"type": "string"}}}]}


def _message(words: Json, payload: Json) -> Json:
    made = {"title": words["title"], "summary": words["summary"], "payload": payload}
    examples = [{"name": name, "payload": said} for name, said in words.get("examples", {}).items()]
    return made | ({"examples": examples} if examples else {})


def _channel(address: str, name: str, words: Json) -> Json:
    named = re.findall(r"\{(\w+)\}", address)
    return {
        "address": address,
        "title": words["title"],
        "parameters": {each: {"$ref": f"#/components/parameters/{each}"} for each in named},
        "messages": {name: {"$ref": f"#/components/messages/{name}"}},
    }


def _operation(action: str, name: str, retain: bool) -> Json:
    at = f"#/channels/{name}"
    return {
        "action": action,
        "channel": {"$ref": at},
        "messages": [{"$ref": f"{at}/messages/{name}"}],
        "bindings": {"mqtt": {"qos": 1, "retain": retain, "bindingVersion": "0.2.0"}},
    }


def _tidy(shape: Any, inside: bool = False) -> Any:
    """Without titles that only repeat a field's name and what is empty; "this or null" as a list of types
    where that says it."""
    if isinstance(shape, list):
        return [_tidy(each, True) for each in shape]
    if not isinstance(shape, Mapping):
        return shape
    tidy: Json = {}
    for key, value in shape.items():
        if key == "properties":
            tidy[key] = {name: _tidy(each, True) for name, each in value.items()}
        elif key == "description":
            tidy[key] = " ".join(value.replace("``", "`").split())
        elif (key, value) not in (("default", None), ("required", [])) and not (key == "title" and inside):
            tidy[key] = _tidy(value, True)
    return _or_null(tidy)


def _or_null(shape: Json) -> Json:
    match shape.get("anyOf"):
        case [{"type": str(kind)} as other, {"type": "null"}] if "enum" not in other:
            rest = {key: value for key, value in shape.items() if key != "anyOf"}
            return rest | other | {"type": [kind, "null"]}
        case [{"enum": [*words]}, {"type": "null"}]:
            rest = {key: value for key, value in shape.items() if key != "anyOf"}
            return rest | {"enum": [*words, None]}
    return shape


def _merge(shape: Json, more: Json) -> None:
    for key, value in more.items():
        if isinstance(value, Mapping) and isinstance(shape.get(key), dict):
            _merge(shape[key], dict(value))
        else:
            shape[key] = value


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


class _Dumper(yaml.SafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        return True

    def represent_mapping(self, tag: str, mapping: Any, flow_style: bool | None = None) -> yaml.MappingNode:
        node = super().represent_mapping(tag, mapping, flow_style)
        if node.flow_style and sum(len(key.value) + len(value.value) + 4 for key, value in node.value) > LONG:
            node.flow_style = False
        return node


def _text(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    style = "|" if "\n" in text else None
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _text)
