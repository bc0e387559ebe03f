"""A Sparkplug B payload: bytes in, its metrics out, and the bytes of the one command that we send.

The message types are built here from the field numbers of the specification (Eclipse Sparkplug 3.0.0, 6.4);
protobuf does the rest. Any bytes give a payload or ``Misfit``. What a metric's name or type is where only its
alias is said, the birth knows (``wire.sparkplug_session``).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from google.protobuf import descriptor_pb2, descriptor_pool, message, message_factory

from service.domain.model import Instant
from service.wire.native import Misfit

REBIRTH = "Node Control/Rebirth"
BOOLEAN = 11
_SIGNED = {1: 8, 2: 16, 3: 32, 4: 64}
_UNSIGNED = {5: 8, 6: 16, 7: 32, 8: 64}
LONGEST_NAME = 400
MOST_METRICS = 50_000
_GOOD = 192
_QUALITY = "Quality"
_LATEST = 253_402_300_800_000
"""The year 10000, in milliseconds: no time is said of what lies after it."""
_COMPRESSED = "SPBV1.0_COMPRESSED"
Scalar = bool | int | float | str | None

_FIELD = descriptor_pb2.FieldDescriptorProto
_KINDS = {
    "uint32": _FIELD.TYPE_UINT32,
    "uint64": _FIELD.TYPE_UINT64,
    "float": _FIELD.TYPE_FLOAT,
    "double": _FIELD.TYPE_DOUBLE,
    "bool": _FIELD.TYPE_BOOL,
    "string": _FIELD.TYPE_STRING,
    "bytes": _FIELD.TYPE_BYTES,
}
_SCALARS = "uint32 int_value, uint64 long_value, float float_value, double double_value, bool boolean_value"
_MESSAGES: dict[str, dict[int, str]] = {
    "Payload": {
        1: "uint64 timestamp",
        2: "Metric* metrics",
        3: "uint64 seq",
        4: "string uuid",
    },
    "Metric": {
        1: "string name",
        2: "uint64 alias",
        3: "uint64 timestamp",
        4: "uint32 datatype",
        5: "bool is_historical",
        7: "bool is_null",
        9: "PropertySet properties",
        **dict(enumerate(f"{_SCALARS}, string string_value, bytes bytes_value".split(", "), 10)),
        18: "Template template_value",
    },
    "Template": {2: "Metric* metrics", 5: "bool is_definition"},
    "PropertySet": {1: "string* keys", 2: "PropertyValue* values"},
    "PropertyValue": {2: "bool is_null", **dict(enumerate(_SCALARS.split(", "), 3))},
}
"""The fields that are read, by their numbers; ``*`` is repeated. Whatever else a message carries is skipped,
as protobuf has it."""


class Metric(NamedTuple):
    """One metric as it was written: ``raw`` is what the value's field held, ``None`` where it is null or of
    a kind that isn't read; ``known`` false: its quality isn't good. A member of a template has the name and
    alias of the template, and a ``path`` to itself, which begins with a slash."""

    name: str | None
    alias: int | None
    path: str
    kind: int
    raw: Scalar
    known: bool
    at: Instant | None
    historical: bool


class Payload(NamedTuple):
    at: Instant | None
    seq: int | None
    metrics: list[Metric]


def read_payload(data: bytes) -> Payload:
    """Raises ``Misfit`` with the reason; no other exception for any bytes."""
    try:
        read = _PAYLOAD.FromString(data)
    except (message.DecodeError, RecursionError):
        raise Misfit("the payload isn't a Sparkplug B payload") from None
    if read.uuid == _COMPRESSED:
        raise Misfit("the payload is compressed, which isn't part of Sparkplug 3.0")
    seq = read.seq if read.HasField("seq") else None
    if seq is not None and seq > 255:
        raise Misfit(f"`seq` is {seq}, not 0 to 255")
    metrics: list[Metric] = []
    for each in read.metrics:
        _add_metric(metrics, each, "", each)
    return Payload(_moment(read.timestamp), seq, metrics)


def scalar(metric: Metric, kind: int) -> Scalar:
    """What the metric says when it is of this data type; ``None``: that is unknown. Signed numbers travel as
    two's complement in unsigned fields (6.4.16), the short ones in 32 bits or their own."""
    raw = metric.raw
    if not metric.known or raw is None:
        return None
    if isinstance(raw, int) and not isinstance(raw, bool):
        if bits := _SIGNED.get(kind):
            low = raw & ((1 << bits) - 1)
            return low - (1 << bits) if low >> (bits - 1) else low
        if bits := _UNSIGNED.get(kind):
            return raw & ((1 << bits) - 1)
        return bool(raw) if kind == BOOLEAN else raw
    if isinstance(raw, float) and not math.isfinite(raw):
        return None
    return raw


def write_rebirth(at: Instant) -> bytes:
    """The payload of a rebirth request: a time, no ``seq``, and the one metric, by name."""
    when = at // 1000
    asked = _PAYLOAD(timestamp=when)
    asked.metrics.add(name=REBIRTH, timestamp=when, datatype=BOOLEAN, boolean_value=True)
    written: bytes = asked.SerializeToString()
    return written


def _add_metric(metrics: list[Metric], top: Any, path: str, read: Any) -> None:
    """A template's members come under its name, as those of a folder do; its definition holds no values."""
    name = _text(top.name) if top.HasField("name") else None
    if len(name or "") + len(path) > LONGEST_NAME:
        raise Misfit(f"a metric's name has more than {LONGEST_NAME} characters")
    field = read.WhichOneof("value")
    if field == "template_value":
        for each in () if read.template_value.is_definition else read.template_value.metrics:
            _add_metric(metrics, top, f"{path}/{_text(each.name)}", each)
        return
    if len(metrics) >= MOST_METRICS:
        raise Misfit(f"the payload has more than {MOST_METRICS} metrics")
    raw = None if field is None or field == "bytes_value" or read.is_null else getattr(read, field)
    metrics.append(
        Metric(
            name,
            top.alias if top.HasField("alias") else None,
            path,
            read.datatype,
            _text(raw) if field == "string_value" and raw is not None else raw,
            not read.HasField("properties") or _is_good(read.properties),
            _moment(read.timestamp),
            top.is_historical,
        )
    )


def _text(read: str | bytes) -> str:
    """protobuf gives what isn't UTF-8 as bytes."""
    if isinstance(read, bytes):
        raise Misfit("a text in the payload isn't UTF-8")
    return read


def _is_good(properties: Any) -> bool:
    """A value is good unless its quality says another thing (6.4.11)."""
    for key, value in zip(properties.keys, properties.values, strict=False):
        if key == _QUALITY and not value.is_null:
            number = value.int_value if value.HasField("int_value") else value.long_value
            return bool(number == _GOOD)
    return True


def _moment(milliseconds: int) -> Instant | None:
    """``None``: none was said, or none that a calendar holds."""
    return milliseconds * 1000 if 0 < milliseconds < _LATEST else None


def _build() -> Any:
    file = descriptor_pb2.FileDescriptorProto(name="sparkplug_b.proto", package="sparkplug")
    for title, fields in _MESSAGES.items():
        made = file.message_type.add(name=title)
        for number, text in fields.items():
            kind, name = text.split()
            field = made.field.add(name=name, number=number, label=_FIELD.LABEL_OPTIONAL)
            if kind.endswith("*"):
                field.label, kind = _FIELD.LABEL_REPEATED, kind[:-1]
            if kind in _KINDS:
                field.type = _KINDS[kind]
            else:
                field.type, field.type_name = _FIELD.TYPE_MESSAGE, f".sparkplug.{kind}"
            if name.endswith("_value"):
                field.oneof_index = 0
        if any(each.HasField("oneof_index") for each in made.field):
            made.oneof_decl.add(name="value")
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("sparkplug.Payload"))


_PAYLOAD = _build()
