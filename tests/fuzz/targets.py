"""What is fed: each decoder, the one error it may raise, and a few good inputs to begin from.

A target returns when the decoder kept its word and raises what it let through; an accepted input must also
give the same again."""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.labels import LabelPattern, Unreadable, read_label
from service.domain.model import SECOND, from_rfc3339
from service.settings import Settings, SettingsError, load
from service.settings.drafts import sources_in
from service.usecases.overheard import Overheard, as_object, draft_of
from service.usecases.recording import Reader
from service.wire.cfx import CfxTranslator
from service.wire.gateway import Native, Translator
from service.wire.journal import read_entry, read_line
from service.wire.mapped import MappedTranslator
from service.wire.mapped_rules import MessageRule, ValueAt
from service.wire.native import Address, Misfit, read_message, read_topic
from service.wire.opcua import OpcUaTranslator, Places
from service.wire.sparkplug import SparkplugTranslator
from service.wire.values import Rule
from tests.support import sparkplug_edge as spb

_ABYSS = [b"[" * 9000, b'{"a":' * 2000, b"9" * 5000]
"""What breaks a reader that counts on ordinary depths and numbers."""
KINDS = ("count", "supply", "recipe", "order", "tower", "link")
_AT = '"at": "2026-03-02T06:14:07.250+01:00"'
_MESSAGES = {
    "count": [
        (
            f'{{{_AT}, "session": "b3c1", "seq": 4182, "panels": 1042, "mode": "dry", "lane": "1",'
            ' "slots": {"F07": {"placed": 18756, "lost": 143}, "T2": {"placed": 1042}}}'
        ),
        '{"counts": "delta", "seq": 1, "slots": {"Ä\\u0301": {"placed": 9007199254740991}}}',
    ],
    "supply": [
        (
            f'{{{_AT}, "id": "3f0c", "slot": "T2", "change": "loaded", "kind": "tray", "part": "MCU-48Q",'
            ' "lot": "A77", "quantity": 160, "by": "badge 31", "supply": "R1", "moisture_level": "3"}'
        ),
        '{"slot": "F1", "change": "counted", "quantity": 0}',
    ],
    "recipe": [
        (
            f'{{{_AT}, "recipe": "top", "boards_per_panel": 4, "usage": {{"F07": 18, "T2": 0.5}},'
            ' "parts": {"F07": "R-10K"}, "alternates": [["F07", "F08"]], "active": false}'
        ),
    ],
    "order": [f'{{{_AT}, "order": "4711", "recipe": "top", "panels": 480, "state": "running"}}'],
    "tower": [
        f'{{{_AT}, "lamps": {{"red": "off", "yellow": "flashing"}}, "buzzer": "off", "slots": ["T2"]}}',
    ],
    "link": [f'{{{_AT}, "state": "online"}}'],
}
_SETTINGS = """\
[site]
name = "Hollerbach"
timezone = "Europe/Vienna"
[mqtt]
url = "mqtt://127.0.0.1:1883"
[warn]
lead_panels = 10
chance = 0.1
[[warn.rule]]
line = "L*"
kind = "tray"
lead_panels = 20
[[label]]
name = "stores"
pattern = '(?P<part>[^;]+);(?P<lot>[^;]*)'
[[label.alias]]
part = "R-10K-0402"
names = ["RC0402-10K"]
[[slot]]
slot = "T*"
kind = "tray"
full = 160
[[outlet]]
name = "hook"
type = "webhook"
url = "https://example.test/hook"
[[route]]
outlets = ["hook"]
severity = "urgent"
hours = "06:00-14:00"
"""
_NOW = from_rfc3339("2026-03-02T06:14:08Z")
_MAPPED = [
    (
        '{"t": "count", "at": 1772432047250, "boards": 8, "feeders": [{"pos": "F07", "picks": 18, "lost": 1},'
        ' {"pos": 8, "picks": "9"}], "serial": "A1"}'
    ),
    '{"t": "reels", "feeders": [{"pos": "F07", "reel": "S1", "pn": "R-10K", "kpcs": 5.0, "kind": "R"}]}',
    '{"t": "job", "id": 4711, "panels": 480, "phase": "RUN", "use": {"F07": 18, "T2": 0.5}}',
    '{"t": "tower", "out": 5, "lamps": {"red": "off", "yellow": "BLINK"}, "alive": true}',
]
_OPCUA = [
    (
        '{"MessageId": "a", "MessageType": "ua-data", "PublisherId": "line1-gw", "Messages": ['
        '{"DataSetWriterId": 101, "SequenceNumber": 7, "MetaDataVersion": {"MajorVersion": 1},'
        ' "Timestamp": "2026-03-02T06:14:07Z", "MessageType": "ua-deltaframe", "Payload": {"F07": {"Placed":'
        ' {"Value": "18", "Status": 0, "SourceTimestamp": "2026-03-02T06:14:07Z"}, "Part": {"Type": 12,'
        ' "Body": "R-10K"}}, "SignalColor": {"UaType": 6, "Value": 4}}}]}'
    ),
    '[{"F07": {"Placed": {"Value": {"Type": 9, "Body": "1"}}}}, {"DataSetWriterId": "", "Timestamp": ""}]',
    (
        '{"MessageId": "b", "MessageType": "ua-metadata", "PublisherId": "line1-gw", "DataSetWriterId": 101,'
        ' "DataSetWriterName": "P1", "MetaData": {"Fields": [{"Name": "SignalColor", "BuiltInType": 6}]}}'
    ),
    (
        '{"MessageId": "c", "MessageType": "ua-status", "PublisherId": "line1-gw", "IsCyclic": true,'
        ' "Status": 2, "Timestamp": "2026-03-02T06:14:07Z", "NextReportTime": "2026-03-02T06:15:07Z"}'
    ),
]
_SPARKPLUG = [
    spb.Edge().nbirth(spb.metric("Feeders/F07/Placed", 18756, spb.INT64, alias=7)).payload,
    spb.payload(
        spb.metric("Feeders/F07/Reel", "R1", spb.STRING, at=1_772_431_200_000, quality=spb.GOOD),
        spb.metric("Feeders/F07/Placed", -5, spb.INT32, historical=True),
        spb.metric("Feeders/F07", spb.template(spb.metric("Placed", 3)), spb.TEMPLATE, alias=2),
        spb.metric("Tower", None),
        spb.metric("Load", 0.5, spb.FLOAT),
        spb.metric("Load", 0.5, spb.DOUBLE),
        at=1_772_431_200_000,
        seq=255,
    ),
]
_CFX = [
    (
        '[{"MessageName": "CFX.Materials.Storage.MaterialsLoaded", "TimeStamp": "2026-03-02T06:14:07Z",'
        ' "UniqueID": "6a1a6c0e-0e0f-4c0e-8a53-6b8a3a1f0001", "Source": "L3.P1", "MessageBody": {"Materials":'
        ' [{"LocationIdentifier": "45", "MaterialPackage": {"UniqueIdentifier": "A", "Quantity": 100.0},'
        ' "CarrierInformation": {"$type": "SMDTapeFeeder", "LaneNumber": 2, "UniqueIdentifier": "F"}}]}},'
        ' {"MessageName": "CFX.Materials.Management.MaterialsConsumed", "TimeStamp": "2026-03-02T06:14:08Z",'
        ' "Source": "L3.P1", "MessageBody": {"ConsumedMaterials": [{"MaterialLocation":'
        ' {"LocationIdentifier": "45", "MaterialPackage": {"UniqueIdentifier": "B", "GreyZone": 5.0,'
        ' "LeadingMaterialPackage": {"UniqueIdentifier": "A"}}}, "QuantityUsed": 5.0, "QuantitySpoiled": 1.0,'
        ' "RemainingQuantity": 94.0}]}}]'
    ),
    (
        '[{"MessageName": "CFX.ResourcePerformance.StationStateChanged", "TimeStamp": "2026-03-02T06:14:07Z",'
        ' "Source": "L3.P1", "MessageBody": {"NewState": "1100", "OldState": "22A0", "OldStateDuration":'
        ' "1.00:00:25.5", "RelatedFault": {"Severity": "Error", "PlacementFaultType": "PartsExhaust",'
        ' "MaterialLocation": {"LocationIdentifier": "45"}}}},'
        ' {"MessageName": "CFX.Production.WorkCompleted", "TimeStamp": "2026-03-02T06:14:07Z",'
        ' "Source": "L3.P1", "MessageBody": {"Result": 0}},'
        ' {"MessageName": "CFX.Production.Assembly.MaterialsInstalled", "TimeStamp": "2026-03-02T06:14:09Z",'
        ' "Source": "L3.P1", "MessageBody": {"InstalledMaterials": [{"QuantityInstalled": 3.0,'
        ' "CarrierLocation": {"LocationIdentifier": "45"},'
        ' "NonInstalledComponents": [{"Location": "Lost"}]}]}}]'
    ),
]
_LABEL_PATTERNS = (
    LabelPattern(name="stores", pattern=r"(?P<part>[^;]+);(?P<quantity>\d+);(?P<lot>[^;]*)", upper=True),
    LabelPattern(name="ours", strip=("VN",), alias={"RC0402-10K": "R-10K-0402"}),
)
_LABELS = [
    "[)>\x1e06\x1dPR-10K-0402\x1d1PRC0402-10K\x1dQ5000\x1d1TA77\x1d9D2548\x1d13E2a\x1dSR17\x1e\x04",
    "]d2[)>\x1e05\x1d0109501101530003\x1d10A77\x1d305000\x1e07free\x1e\x04",
    "[)>|06|1PMCU-48Q|Q160|",
    "[)><RS>06<GS>1PMCU-48Q<GS>7Q5000EA<RS><EOT>",
    "[)>^^06^]1pmcu-48q^]q160^^^D",
    "]C101095011015300033103001250\x1d10A77\x1d241R-10K",
    "(01)09501101530003(10)A77(30)5000",
    "PN;5000;A77",
    "1PRC0402-10K",
]


@dataclass(frozen=True, slots=True)
class Target:
    feed: Callable[[bytes], None]
    seeds: Sequence[bytes]


def _message(kind: str) -> Target:
    address = Address(kind, "L3", None if kind == "order" else "P1")

    def feed(data: bytes) -> None:
        with contextlib.suppress(Misfit):
            first = read_message(address, data)
            if repr(read_message(address, data)) != repr(first):
                raise AssertionError("the same bytes gave another value")

    return Target(feed, [*(text.encode() for text in _MESSAGES[kind]), *_ABYSS])


def _topic(data: bytes) -> None:
    with contextlib.suppress(Misfit):
        read_topic(data, "floor")


def _line(data: bytes) -> None:
    with contextlib.suppress(Misfit):
        entry = read_line(data)
        if isinstance(entry, JournalEntry) and entry.kind != "settings":
            read_entry(entry)
    with contextlib.suppress(Unfit):
        list(Reader().read(data.splitlines(keepends=True)))


def _settings_file(data: bytes) -> None:
    path = _scratch()
    path.write_bytes(data)
    with contextlib.suppress(SettingsError):
        load(path, {})


def _label(data: bytes) -> None:
    """Also with half characters in it, as a page may send them."""
    text = data.decode("utf-8", "surrogateescape")
    with contextlib.suppress(Unreadable):
        if read_label(text, _LABEL_PATTERNS) != read_label(text, _LABEL_PATTERNS):
            raise AssertionError("the same text gave another label")


def _translator(make: Callable[[], Translator], topic: str, seeds: Sequence[str | bytes]) -> Target:
    """Two who heard nothing before say the same of the same bytes; a refusal leaves nothing remembered, and
    what is remembered can be read again."""
    one, other = make(), make()

    def feed(data: bytes) -> None:
        if _translate(one, topic, data) != _translate(other, topic, data):
            raise AssertionError("the same bytes were translated in another way")

    return Target(feed, [*(seed.encode() if isinstance(seed, str) else seed for seed in seeds), *_ABYSS])


def _translate(translator: Translator, topic: str, data: bytes) -> list[Native] | None:
    translator.memory.restore({})
    translator.begin_anew()
    try:
        said = list(translator.hear(topic, data, at=_NOW) or ())
    except Misfit:
        if translator.memory.take_changes():
            raise AssertionError("something of a refused message is remembered") from None
        return None
    for native in said:
        with contextlib.suppress(Misfit):
            read_message(*native)
    changes = translator.memory.take_changes()
    translator.memory.restore({key: data for key, data in changes.items() if data is not None})
    return said


def _mapped() -> MappedTranslator:
    """A rule of every kind, each for messages of its own, and two that mean all of them."""

    def rule(gives: Any, only: str, **take: str) -> MessageRule:
        words = {"R": "tape", "RUN": "running", "BLINK": "flashing"}
        return MessageRule(
            topic="hall/{line}/{station}",
            gives=gives,
            when=f"t == '{only}'",
            take=take,
            words=words,
            time="ms",
        )

    feeders = {"slots": "feeders", "slot": "pos", "picked": "picks", "lost": "lost"}
    reels = rule("supply", "reels", slot="pos", supply="reel", part="pn", quantity="kpcs", kind="kind")
    rules = [
        rule("count", "count", at="at", panels="boards", **feeders),
        replace(reels, items="feeders", units={"quantity": 1000}),
        rule("recipe", "job", recipe="id", usage="use"),
        rule("order", "job", order="id", panels="panels", state="phase"),
        rule("tower", "tower", lamps="lamps || out"),
        rule("link", "tower", state="alive"),
    ]
    values = [
        ValueAt(rule=Rule(name="hall/{line}/{station}", means="panel"), value="serial"),
        ValueAt(rule=Rule(name="hall/{line}/{station}", means="lamps", bits={"0": "red"}), value="out"),
    ]
    return MappedTranslator("hall", rules, values, "Europe/Vienna")


def _one_value() -> MappedTranslator:
    """The payload is a slot's part, or has its lot."""
    name = "hall/{line}/{station}/{slot}"
    values = [
        ValueAt(rule=Rule(name=name, means="part")),
        ValueAt(rule=Rule(name=name, means="lot"), value="v"),
    ]
    return MappedTranslator("hall", [], values, "UTC")


def _opcua() -> OpcUaTranslator:
    rules = [
        Rule(name="{slot}/Placed", means="placed"),
        Rule(name="{slot}/Part", means="part"),
        Rule(name="SignalColor", means="lamps", words={"1": "red", "2": "green", "0": ""}),
    ]
    places = Places(publisher="{line}-gw", writer="{station}", fixed={"line": "L1", "station": "P1"})
    return OpcUaTranslator("hall", rules, places=places)


def _sparkplug() -> SparkplugTranslator:
    rules = [
        Rule(name="Feeders/{slot}/Placed", means="placed"),
        Rule(name="Feeders/{slot}/Reel", means="supply"),
        Rule(name="Tower", means="lamps", bits={"0": "red"}),
    ]
    return SparkplugTranslator("hall", rules, node="{line}-{station}")


def _environment(data: bytes) -> None:
    """Lines of ``NAME=value``, as far as an environment can hold them."""
    pairs = (line.partition(b"=") for line in data.replace(b"\0", b"").splitlines())
    environ = {"EARLYBELL_" + os.fsdecode(name): os.fsdecode(value) for name, _, value in pairs}
    with contextlib.suppress(SettingsError):
        load(None, environ)


def _scratch() -> Path:
    memory = Path("/dev/shm")
    folder = memory if memory.is_dir() else Path(tempfile.gettempdir())
    return folder / f"earlybell-fuzz-{os.getpid()}.toml"


def _event(kind: str, subject: str, data: str) -> bytes:
    event = {"specversion": "1.0", "id": "1", "source": "/earlybell/x", "type": f"earlybell.{kind}"}
    event |= {"time": "2026-03-02T06:14:07.250000Z", "subject": subject, "data": json.loads(data)}
    return json.dumps(event).encode()


def _overheard(data: bytes) -> None:
    """Messages, one a line, a topic and a payload with a blank between; said twice. The draft must load."""
    heard = Overheard()
    for number, line in enumerate(data.splitlines() * 2):
        topic, _, payload = line.partition(b" ")
        heard.hear(topic, payload, _NOW + number * SECOND)
    as_object(heard.heard)
    if draft := draft_of(heard.heard):
        sources_in(draft, Settings())


TARGETS: dict[str, Target] = {
    **{kind: _message(kind) for kind in KINDS},
    "topic": Target(_topic, [b"floor/L3/P1/count", b"floor/L3/order/4711", "floor/Ä/P1/recipe/x".encode()]),
    "journal": Target(
        _line,
        [
            *(_event(f"floor.{kind}", "L3/P1", _MESSAGES[kind][0]) for kind in KINDS),
            _event("person", "L3/P1/T2", '{"notice": "n1", "action": "take", "by": "Ines"}'),
            _event("time", "", "{}"),
            _event("outlet", "", '{"outlet": "hook", "state": "failing"}'),
            _event("state", "", '{"position": 0, "at": 0, "policy": {}}'),
            _event(
                "manifest",
                "",
                '{"format": 1, "program": "1", "site": "x", "position": 0, "entries": 0, "first": null,'
                ' "last": null, "sha256": ""}',
            ),
            *_ABYSS,
        ],
    ),
    "label": Target(_label, [text.encode() for text in _LABELS]),
    "settings": Target(_settings_file, [_SETTINGS.encode(), *(b"a = " + deep for deep in _ABYSS)]),
    "cfx": _translator(lambda: CfxTranslator("hall", topics=["cfx/#"]), "cfx/L3/P1", _CFX),
    "mapped": _translator(_mapped, "hall/L3/P1", _MAPPED),
    "mapped-value": _translator(_one_value, "hall/L3/P1/F07", ["R-10K", "4711", '"A77"', "null", '{"v": 1}']),
    "opcua": _translator(_opcua, "opcua/json/data/line1-gw/fast/P1", _OPCUA),
    "sparkplug": _translator(_sparkplug, "spBv1.0/Hall/NBIRTH/L3-P1", _SPARKPLUG),
    "overheard": Target(
        _overheard,
        [
            b'hall/L3/P1/c {"t": 1772431200, "pcbs": 4, "feeders": [{"pos": "F07", "placed": 1, "lost": 1}]}',
            b"hall/L3/P1/F07/placed 3\nhall/L3/P1/F08/placed 4\nhall/L3/P1/lamp/gelb blinkt",
            b'works/L3/P1/count {"slots": {"F07": {"placed": 1}}}\nany {"MessageName": "CFX.Heartbeat"}',
            b'opcua/json/data {"DataSetWriterId": 1, "DataSetWriterName": "P1", "Payload": {"F7_Placed": 3}}',
            b'hall/L3/P1/x {"slot": "F07", "what": "NEW", "pn": "R", "qty": 5}\nhall/L3/job {"job": "a"}',
            *(b"hall/L3/P1/count " + deep for deep in _ABYSS),
        ],
    ),
    "environment": Target(
        _environment,
        [
            b"WEB__PORT=8080\nOUTLET__0__URL=https://example.test\nSTORE__URL_FILE=/dev/null",
            *(b"OUTLET=" + deep for deep in _ABYSS),
        ],
    ),
}
