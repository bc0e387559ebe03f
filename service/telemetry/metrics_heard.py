"""The metrics of what is heard and made durable: messages, sources, brokers, commits."""

from __future__ import annotations

from service.telemetry.registry import LATENCY, Label, Registry, counter, gauge, histogram

ENTRIES = (
    *("count", "supply", "recipe", "order", "tower", "link"),  # what the floor says
    *("person", "ready", "care", "check"),  # what people do
    *("time", "plan", "outlet", "gateway", "refusals", "elsewhere", "settings"),  # what is our own
)

_SOURCE = Label("source", of="sources of the configuration; `mqtt` is that of `[mqtt]`")


class Hearing(Registry):
    """All that is counted on the way in."""

    received = counter(
        "messages_received",
        "Entries of the journal: what the floor said, what people did and what is our own, by kind.",
        labels=[Label("kind", ENTRIES)],
        odd="No `count` while lines run: gateways or broker (runbook broker-away).",
    )
    repeats = counter(
        "messages_repeated",
        "Messages that had been applied before.",
        odd="Some after each reconnect are as it should be; steadily many: a gateway sends twice.",
    )
    elsewhere = counter(
        "messages_elsewhere",
        "What was heard of lines that another shard has, and dropped unread.",
        odd="As many as the other shards count, where lines are patterns; with lines named one by one: 0.",
    )
    refused = counter(
        "messages_refused",
        "Messages that didn't fit and were set aside.",
        odd="Grows: a gateway is wrong (runbook messages-refused).",
    )
    source_messages = counter(
        "source_messages",
        "Messages of a source.",
        labels=[_SOURCE],
        odd="Its rate falls to 0 while its lines run: the source or its broker (runbook broker-away).",
    )
    source_refused = counter(
        "source_refused",
        "Messages of a source that didn't fit and were set aside.",
        labels=[_SOURCE],
        odd="Grows: that source is wrong (runbook messages-refused).",
    )
    source_repeats = counter(
        "source_repeats",
        "What a source said that had been said before.",
        labels=[_SOURCE],
        odd="Steadily many: it sends twice.",
    )
    source_connected = gauge(
        "source_connected",
        "1 while a source's broker is reached and every subscription is acknowledged; absent on an instance"
        " that stands by.",
        labels=[_SOURCE],
        odd="0 for more than a minute (runbook broker-away).",
    )
    source_last_heard = gauge(
        "source_last_heard_timestamp_seconds",
        "When the last message of a source was stored.",
        unit="seconds",
        labels=[_SOURCE],
        odd="Long ago while its lines run: the source is silent.",
    )
    source_missing = gauge(
        "source_missing",
        "Messages that are missing now by the seq of the stations that a source counts.",
        labels=[_SOURCE],
        odd="Stays above 0: the gateway can't send them again; counts are doubted until a supply is loaded.",
    )
    source_gaps = gauge(
        "source_gaps",
        "Times that the numbering of a source's own format showed messages to be missing.",
        labels=[_SOURCE],
        odd="Grows: messages are lost between the source and its broker.",
    )
    source_clocks = gauge(
        "source_clocks_doubted",
        "Stations of a source whose last message had a time that isn't believed.",
        labels=[_SOURCE],
        odd="Above 0: that gateway's clock is wrong (runbook clock-wrong).",
    )
    inbound_waiting = gauge(
        "inbound_waiting",
        "Messages received, not yet taken into a batch.",
        odd="Above 500 it isn't ready; beyond a thousand the broker keeps it (runbook backlog-growing).",
    )
    received_to_committed = histogram(
        "received_to_committed_seconds",
        "From when the message of a commit that waited longest was read off the broker until it was durable.",
        unit="seconds",
        buckets=LATENCY,
        odd="p99 above a second: the store is slow or there is more than it carries (runbook"
        " backlog-growing).",
    )
    batch_events = histogram(
        "batch_events",
        "Events in one commit.",
        buckets=(1, 2, 5, 10, 20, 50, 100, 200),
        odd="Steadily 200: it can't keep up (runbook backlog-growing).",
    )
    commit_seconds = histogram(
        "commit_seconds",
        "Time to decide one batch and make it durable.",
        unit="seconds",
        buckets=(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5),
        odd="Grows with the same load: the disk or the database is slow (runbook store-away).",
    )
    last_commit = gauge(
        "last_commit_timestamp_seconds",
        "When the last batch was durable; 0: none since the start.",
        unit="seconds",
        odd="Long ago while messages wait (`inbound_waiting`): the store (runbook store-away).",
    )
    resends_asked = counter(
        "resends_asked",
        "Times a gateway was asked to send missing messages again.",
        odd="Grows steadily: messages are lost on the way, or a gateway doesn't answer.",
    )
    broker_connects = counter(
        "broker_connects",
        "Connections to a source's broker whose subscription stood; the first one of a start counts.",
        labels=[_SOURCE],
        odd="Several an hour: the network, or another client with our client id (runbook broker-away).",
    )
    broker_connected = gauge(
        "broker_connected",
        "1 while connected to the broker of [mqtt] with every subscription acknowledged.",
        odd="0 on the one in charge: nothing is heard from there (runbook broker-away).",
    )
    sessions_lost = counter(
        "broker_sessions_lost",
        "Times the broker had forgotten what it kept for us.",
        odd="Above 0: what came while we were away is lost there. Give the broker persistence.",
    )
