"""The broker of ``[mqtt]`` and those of the sources: whether we get in, hear, may speak, are remembered."""

from __future__ import annotations

import re
from collections.abc import Iterator

from service import outside
from service.checkup.case import Case
from service.checkup.certificates import of_peer
from service.checkup.finding import Finding, good, look, wrong
from service.mqtt.client import SESSION_EXPIRY
from service.mqtt.visit import DROPPED, VERSION, Asked, Granted, ask
from service.settings import Source

DAY = 24 * 3600
PATIENCE = 2 * DAY
"""The least a broker should remember us for: a weekend."""
_OLD = re.compile(r"mosquitto version (?P<version>2\.0\.(?P<patch>\d+)|1\.\S+)")
_MENDED = 22
"""mosquitto 2.0.22: limits of queues and of what is in flight are kept as documented (its ChangeLog)."""
_LOGIN = "set mqtt.username and mqtt.password to an account of the broker, or correct the broker's own list"
_RIGHT = "give our account this right in the broker's access rules (deploy/mosquitto.acl shows them)"
_LEAST_PACKET = 64 * 1024


def main(case: Case) -> Iterator[Finding]:
    mqtt = case.settings.mqtt
    topics = [f"{mqtt.floor_root}/#"]
    asked = Asked(
        broker=outside.broker(case.settings),
        topics=topics,
        out=mqtt.out_root,
        seconds=case.seconds,
        listens=case.listens,
    )
    yield from _told("broker", asked, case, spoke=_counted(case, ""))


def source(case: Case, each: Source) -> Iterator[Finding]:
    """Of a source nothing is asked but to hear it; what it would be told back depends on its format."""
    topics = list(each.translator(case.settings.site.timezone).filters)
    broker = outside.source_broker(case.settings, each)
    asked = Asked(broker=broker, topics=topics, out=None, seconds=case.seconds, listens=case.listens)
    spoke, lasting = _counted(case, each.name), broker.host_id is None
    yield from _told(f"source {each.name}", asked, case, spoke=spoke, lasting=lasting)


def _counted(case: Case, source: str) -> int:
    """How many stations it has counted."""
    stations = case.stations() or ()
    return sum(each.counted_at is not None and each.source.name == source for each in stations)


def _told(area: str, asked: Asked, case: Case, *, spoke: int, lasting: bool = True) -> Iterator[Finding]:
    broker = asked.broker
    where = f"{broker.host}:{broker.port}"
    try:
        granted = ask(asked)
    except ValueError as error:  # files for TLS
        yield wrong(area, f"{where}: {error}", "correct the file that is named")
        return
    yield from of_peer(area, where, granted.certificate_until, case.clock())
    if granted.refused is not None:
        yield wrong(area, f"{where} {granted.refused}", _to_do(granted))
        return
    if granted.foreign_session:
        yield look(
            area,
            f"{where} lets us in, and makes the client id from the login; more can't be asked without harm",
            "give each client id a session of its own (mosquitto: use_username_as_clientid false)",
        )
        return
    refused = list(_refusals(area, granted, asked))
    yield from refused
    if not refused:
        yield good(area, f"{where} lets us in, to hear {', '.join(asked.topics)}{_may_speak(granted)}")
    yield from _limits(area, granted, lasting=lasting)
    if spoke and not granted.heard and not refused:
        yield look(
            area,
            f"nothing is heard just now, though {spoke} stations were heard before",
            "if machines run, look at their gateways, and whether our account may read what it subscribes to:"
            " some brokers grant the subscription and then send nothing",
        )
    yield from _broker_itself(area, granted)


def _to_do(granted: Granted) -> str:
    why = granted.refused or ""
    if "ot authori" in why or "user name" in why or "password" in why.lower() or "Banned" in why:
        return _LOGIN
    if "certificate" in why:
        return "renew the broker's certificate, or name the authority that signed it in mqtt.ca_file"
    if why.startswith("can't be reached"):
        return "start the broker, or correct mqtt.url; look at the network and its firewalls in between"
    return "look into the broker's log"


def _refusals(area: str, granted: Granted, asked: Asked) -> Iterator[Finding]:
    for topic, answer in (granted.subscriptions or {}).items():
        if isinstance(answer, str):
            yield wrong(area, f"the subscription to {topic} was refused: {answer}", _RIGHT)
        elif answer < 1:
            yield wrong(
                area,
                f"the subscription to {topic} was granted without acknowledgements (QoS {answer})",
                "allow QoS 1: else what comes while we restart is lost",
            )
    if granted.publishing:
        yield wrong(area, f"publishing under {asked.out}/ was refused: {granted.publishing}", _RIGHT)


def _may_speak(granted: Granted) -> str:
    return ", and to publish" if granted.publishing == "" else ""


def _limits(area: str, granted: Granted, *, lasting: bool) -> Iterator[Finding]:
    """What MQTT 5's greeting says; MQTT 3.1.1 says nothing of it."""
    limits = granted.limits
    kept = limits.get("SessionExpiryInterval", SESSION_EXPIRY)
    if lasting and kept < PATIENCE:
        yield look(
            area,
            f"the broker remembers us for {kept / 3600:g} h at most: away for longer, we lose messages",
            f"let it keep sessions for some days (we ask for {SESSION_EXPIRY // DAY})",
        )
    if limits.get("RetainAvailable", 1) == 0:
        yield wrong(area, "the broker keeps no retained messages", "allow them: forecasts are retained")
    if limits.get("MaximumQoS", 2) == 0:
        yield wrong(area, "the broker offers no QoS 1", "allow QoS 1: else messages are lost without a word")
    if limits.get("WildcardSubscriptionAvailable", 1) == 0:
        yield wrong(area, "the broker takes no wildcards", "allow them: we subscribe to all stations at once")
    if (packet := limits.get("MaximumPacketSize", _LEAST_PACKET)) < _LEAST_PACKET:
        yield look(
            area,
            f"the broker takes packets of {packet} bytes at most",
            "allow 64 KiB: counts of stations with many slots are that large",
        )
    said = {name: limits[name] for name in ("ReceiveMaximum", "MaximumPacketSize") if name in limits}
    if said:
        words = {"ReceiveMaximum": "messages at once", "MaximumPacketSize": "bytes a packet"}
        yield good(area, "its limits: " + ", ".join(f"{value} {words[name]}" for name, value in said.items()))


def _broker_itself(area: str, granted: Granted) -> Iterator[Finding]:
    version = granted.said.get(VERSION)
    if version is not None:
        old = _OLD.match(version)
        if old is not None and int(old["patch"] or 0) < _MENDED:
            yield look(
                area,
                f"it is {version}: its limits of queues aren't kept as documented",
                f"use 2.0.{_MENDED} or newer",
            )
        else:
            yield good(area, f"it is {version}")
    dropped = granted.said.get(DROPPED, "0")
    if dropped.isdecimal() and int(dropped):
        yield look(
            area,
            f"it has dropped {dropped} messages since it started",
            "raise its limits of queues (max_queued_messages, max_queued_bytes); we ask again for counts",
        )
