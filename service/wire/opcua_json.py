"""OPC UA PubSub messages in JSON (OPC 10000-14, 7.2.5): bytes in, data sets, their description or a
publisher's state out.

It knows every header that may be left out, and nothing of fields or of what they mean.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import msgspec

from service.domain.model import Instant
from service.wire.native import Misfit
from service.wire.opcua_fields import MOST_WHOLE, read_time, shown

LARGEST_NUMBER = 2**32 - 1
STATES = ("Disabled", "Paused", "Operational", "Error", "PreOperational")
"""The states of a publisher, PubSubState, by their values (OPC 10000-14, 6.2.1)."""
LONGEST_NAME = 256

_ALIVE = "ua-keepalive"
_FRAMES = {"ua-keyframe", "ua-deltaframe", "ua-event", _ALIVE}
_HEADER = {
    "DataSetWriterId",
    "DataSetWriterName",
    "PublisherId",
    "WriterGroupName",
    "SequenceNumber",
    "MetaDataVersion",
    "MinorVersion",
    "Timestamp",
    "Status",
    "MessageType",
    "Payload",
}
_SAYS_WHOSE = {"DataSetWriterId", "DataSetWriterName", "SequenceNumber", "MessageType"}
_decode = msgspec.json.Decoder().decode


class DataSet(NamedTuple):
    """A DataSetMessage (7.2.5.4); what its headers leave out is ``None``. ``major`` is the version of the
    metadata it was made with. Without ``payload`` it says but that its writer lives, and ``sequence`` is the
    number that comes next."""

    publisher: str | None = None
    group: str | None = None
    writer: str | None = None
    name: str | None = None
    sequence: int | None = None
    major: int | None = None
    at: Instant | None = None
    status: object = None
    payload: Mapping[str, object] | Sequence[object] | None = None


class Data(NamedTuple):
    """A NetworkMessage with data; ``id`` is ``None`` where its header was left out."""

    id: str | None
    sets: Sequence[DataSet]


class Description(NamedTuple):
    """What a writer's fields are (7.2.5.5.2): their built-in types (OPC 10000-6, 5.1.2) by their names, 0
    where that isn't said."""

    publisher: str
    writer: str | None
    name: str | None
    major: int | None
    fields: Mapping[str, int]


class Status(NamedTuple):
    """A publisher's state (7.2.5.5.5). ``every``: it says so again within so many microseconds, or doesn't
    publish any more; ``None``: the broker says when it is gone."""

    publisher: str
    operational: bool
    every: int | None


def read(payload: bytes) -> Data | Description | Status | None:
    """What the message is; ``None``: of a kind that says nothing of data. Raises ``Misfit``, and nothing else
    for any bytes."""
    try:
        return _read(_decode(payload))
    except RecursionError:
        raise Misfit("the payload is nested too deeply") from None
    except msgspec.MsgspecError as error:
        raise Misfit(str(error)) from None
    except UnicodeDecodeError as error:
        raise Misfit(f"the payload isn't UTF-8 (byte {error.start})") from None


def _read(message: object) -> Data | Description | Status | None:
    if isinstance(message, list):
        return Data(None, [_data_set(each, {}) for each in message])
    if not isinstance(message, dict):
        raise Misfit("an object or an array of objects was expected")
    said = message.get("MessageType")
    kind = said if isinstance(said, str) and said.startswith("ua-") and said not in _FRAMES else None
    messages = message.get("Messages")
    if kind == "ua-data" or (kind is None and isinstance(messages, list | dict)):
        if isinstance(messages, dict):
            messages = [messages]
        if not isinstance(messages, list):
            raise Misfit("`Messages` must be an array or an object")
        return Data(_text(message, "MessageId"), [_data_set(each, message) for each in messages])
    if kind == "ua-metadata":
        return _description(message)
    if kind == "ua-status":
        return _status(message)
    return None if kind is not None else Data(None, [_data_set(message, {})])


def _data_set(message: object, header: dict[str, Any]) -> DataSet:
    """Also of a payload alone, where the DataSetMessage's own header was left out."""
    if not isinstance(message, dict):
        raise Misfit(f"a data set must be an object, not {shown(message)}")
    payload = message.get("Payload")
    bare = not isinstance(payload, dict | list) and not _is_keepalive(message)
    own: dict[str, Any] = {} if bare else message
    said = _text(own, "MessageType")
    if said is not None and said not in _FRAMES:
        raise Misfit(f"no such MessageType of a data set: {said!r:.80}")
    return DataSet(
        publisher=_text(own, "PublisherId") or _text(header, "PublisherId"),
        group=_text(own, "WriterGroupName") or _text(header, "WriterGroupName"),
        writer=_id(own),
        name=_text(own, "DataSetWriterName"),
        sequence=_number(own, "SequenceNumber"),
        major=_major(own, "MetaDataVersion"),
        at=read_time(own, "Timestamp"),
        status=own.get("Status"),
        payload=message if bare else None if said == _ALIVE else payload,
    )


def _is_keepalive(message: dict[str, Any]) -> bool:
    """A header and nothing else."""
    return message.keys() <= _HEADER and not _SAYS_WHOSE.isdisjoint(message)


def _description(message: dict[str, Any]) -> Description:
    match message.get("MetaData"):
        case {"Fields": [*fields]}:
            return Description(
                _publisher(message),
                _id(message),
                _text(message, "DataSetWriterName"),
                _major(message["MetaData"], "ConfigurationVersion"),
                dict(map(_field, fields)),
            )
        case _:
            raise Misfit("metadata need `MetaData` with `Fields`")


def _field(field: object) -> tuple[str, int]:
    match field:
        case {"Name": str(name), "BuiltInType": int(kind)} if 0 <= kind <= 31:
            return clean_text("Name", name), kind
        case {"Name": str(name)}:
            return clean_text("Name", name), 0
        case _:
            raise Misfit("each of the `Fields` needs a `Name`")


def _status(message: dict[str, Any]) -> Status:
    state = message.get("Status")
    if isinstance(state, str):
        # The verbose form of an enumeration: name and value, Operational_2 (OPC 10000-6, 5.4.4).
        name = state.partition("_")[0]
        state = STATES.index(name) if name in STATES else None
    if type(state) is not int or not 0 <= state < len(STATES):
        raise Misfit(
            f"a publisher's `Status` must be from 0 to 4, such as 2, not {shown(message.get('Status'))}"
        )
    every, said, due = None, read_time(message, "Timestamp"), read_time(message, "NextReportTime")
    if message.get("IsCyclic") is True and said is not None and due is not None:
        every = max(0, due - said)
    return Status(_publisher(message), STATES[state] == "Operational", every)


def _publisher(message: dict[str, Any]) -> str:
    publisher = _text(message, "PublisherId")
    if publisher is None:
        raise Misfit("`PublisherId` is missing")
    return publisher


def _text(message: Mapping[str, Any], key: str) -> str | None:
    said = message.get(key)
    if said is None or said == "":
        return None
    if type(said) is int and 0 <= said < MOST_WHOLE:
        return str(said)
    if not isinstance(said, str):
        raise Misfit(f"`{key}` must be text, not {shown(said)}")
    return clean_text(key, said)


def clean_text(key: str, said: str) -> str:
    """The very text; ``Misfit`` where it can't be a name."""
    if len(said) > LONGEST_NAME or not said.isprintable():
        raise Misfit(f"`{key}` {said[:80]!r} must have at most {LONGEST_NAME} characters, all printable")
    return said


def _id(message: dict[str, Any]) -> str | None:
    """A number in version 1.05, text in 1.04; 0 stands for none (6.2.4.1)."""
    said = _text(message, "DataSetWriterId")
    return None if said == "0" else said


def _number(message: dict[str, Any], key: str) -> int | None:
    said = message.get(key)
    if said is None:
        return None
    if type(said) is not int or not 0 <= said <= LARGEST_NUMBER:
        raise Misfit(f"`{key}` must be a whole number from 0 to {LARGEST_NUMBER}, not {shown(said)}")
    return said


def _major(message: Mapping[str, Any], key: str) -> int | None:
    match message.get(key):
        case {"MajorVersion": int(major)}:
            return major
        case _:
            return None
