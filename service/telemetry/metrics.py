"""Every metric there is; ``report`` and ``scrape`` feed them, ``deploy/observing.md`` is made of them."""

from __future__ import annotations

from service.telemetry.metrics_heard import Hearing
from service.telemetry.registry import LATENCY, Label, counter, gauge, histogram

OUTCOMES = ("sent", "waiting", "dead", "replaced", "put off", "lost")
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "other")
ANSWERS = ("2xx", "3xx", "4xx", "5xx", "none")
KINDS = ("tape", "tray", "stick", "bulk", "unknown")
LEVELS = ("early", "urgent", "empty")

_KIND = Label("kind", KINDS)
_OUTLET = Label("outlet", of="outlets of the configuration")


class Metrics(Hearing):
    """All that is counted. Adding one puts it on ``/metrics`` and on the page."""

    build = gauge(
        "build_info",
        "Always 1; what runs here, by its labels.",
        labels=[
            Label("version", of="this program's version"),
            Label("revision", of="the store's schema revision that it needs"),
            Label("store", ("sqlite", "postgresql")),
            Label("python", of="Python's version"),
        ],
        odd="Two versions on one store: an upgrade that wasn't finished.",
    )
    ready = gauge(
        "ready",
        "1 while /readyz answers 200: in charge, and broker, store and backlog are well.",
        odd="0 on one that stands by is as it should be; else `/readyz` says why.",
    )
    in_charge = gauge(
        "in_charge",
        "1 while this instance is the active one, 0 while it stands by.",
        odd="The sum over the instances of a store is 1. 0 for more than a quarter of a minute: nobody warns"
        " (runbook nobody-in-charge).",
    )
    lease_term = gauge(
        "lease_term",
        "Which term of the lease this instance holds; it grows by one with each start and takeover, and a"
        " restore makes it greater than any before. 0: none.",
        odd="Grows without a restart of yours: instances die or lose the store (runbook nobody-in-charge).",
    )
    clock = gauge(
        "clock_timestamp_seconds",
        "This machine's clock when it was asked.",
        unit="seconds",
        odd="Differs from Prometheus' own time by seconds: one of the two clocks is wrong (runbook"
        " clock-wrong).",
    )
    slots_known = gauge(
        "slots_known",
        "Slots that were ever heard of.",
        odd="Grows without new machines: a gateway invents names.",
    )
    forecasts_published = counter(
        "forecasts_published",
        "Forecasts sent to the broker.",
        odd="Stands still while counts come: see `heartbeat_age_seconds` of the announcer.",
    )
    plan_seconds = histogram(
        "plan_seconds",
        "Time to plan for one line, with the pauses that others are left.",
        unit="seconds",
        buckets=(0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30),
        odd="Above seconds: plans come late; warnings don't wait for them.",
    )
    notices_open = gauge(
        "notices_open",
        "Notices that are not closed, by level.",
        labels=[Label("level", LEVELS)],
        odd="Many for one line: a wrong gateway, or nobody closes (runbook notices-flood).",
    )
    notices_stale = gauge(
        "notices_stale",
        "Notices that have been open for more than 24 hours.",
        odd="They warn nobody any more: the page of notices lists them.",
    )
    notices_chattering = gauge(
        "notices_chattering",
        "Things that were told of three times within a minute, in the last 24 hours.",
        odd="Above 0: a signal that goes to and fro (runbook notices-flood).",
    )
    message_flood = gauge(
        "message_flood",
        "1 while a person gets more messages than people can follow (more than 10 in ten minutes, until fewer"
        " than 5).",
        labels=[Label("who", of="people and outlets of the configuration")],
        odd="1: warnings are overlooked (runbook notices-flood).",
    )
    messages_last_hour = gauge(
        "messages_last_hour",
        "Messages that an outlet sent within the last hour; what went out together is one.",
        labels=[_OUTLET],
        odd="More than about six an hour and person isn't followed for long (runbook notices-flood).",
    )
    deliveries = counter(
        "deliveries",
        "Attempts to deliver, by outlet and outcome.",
        labels=[_OUTLET, Label("outcome", OUTCOMES)],
        odd="`waiting` grows: tries fail; `dead`: given up (runbook outlet-failing).",
    )
    delivery_seconds = histogram(
        "delivery_seconds",
        "Time of one attempt to deliver.",
        unit="seconds",
        labels=[_OUTLET],
        buckets=(0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 15),
        odd="Near 15: the receiver hangs (runbook outlet-failing).",
    )
    due_to_delivered = histogram(
        "due_to_delivered_seconds",
        "From the commit that made a delivery due until its receiver had it.",
        unit="seconds",
        labels=[_OUTLET],
        buckets=LATENCY,
        odd="p99 above some seconds: the receiver fails or is slow (runbook outlet-failing).",
    )
    outbox_waiting = gauge(
        "outbox_waiting",
        "Deliveries that wait, by outlet.",
        labels=[_OUTLET],
        odd="Grows (runbook outlet-failing).",
    )
    outbox = gauge(
        "outbox_deliveries",
        "Deliveries that aren't over, by outlet and state, and those given up (dead).",
        labels=[_OUTLET, Label("state", ("waiting", "sending", "dead"))],
        odd="`dead` grew: people weren't told (runbook outlet-failing).",
    )
    outbox_oldest = gauge(
        "outbox_oldest_seconds",
        "How long the oldest delivery has waited that was tried and didn't get through, or for a quarter of"
        " an hour wasn't, by outlet; absent where there is none.",
        unit="seconds",
        labels=[_OUTLET],
        odd="Above two minutes: that outlet doesn't get through (runbook outlet-failing).",
    )
    heartbeats_out = counter(
        "heartbeats_out",
        "Signs of life to the monitor, by outcome.",
        labels=[Label("outcome", ("sent", "failed"))],
        odd="`failed` grows: the monitor will raise its alarm, though we live.",
    )
    warnings_judged = gauge(
        "warnings_judged",
        "Warnings of which it is known how they went, by kind of supply, since the beginning.",
        labels=[_KIND],
        odd="Doesn't grow: nobody tells when supplies are exchanged.",
    )
    warnings_late = gauge(
        "warnings_late",
        "Of those, that gave fewer panels than asked; a refill before counts by its chance of it.",
        labels=[_KIND],
        odd="More than a tenth of the judged: the review shows which slots.",
    )
    warnings_apart = gauge(
        "warnings_apart",
        "Warnings that couldn't come earlier.",
        labels=[_KIND],
        odd="Many: supplies are loaded with less than the warning asks for.",
    )
    ends_seen = gauge(
        "ends_seen", "Supplies that ran empty after a warning.", labels=[_KIND], odd="Only to compare with."
    )
    ends_covered = gauge(
        "ends_covered",
        "Of those, that ended inside the 90 % interval of the warning's forecast.",
        labels=[_KIND],
        odd="Far from nine tenths: quantities on labels are wrong, or losses aren't reported.",
    )
    rollups = counter(
        "rollups",
        "Reviews from which hourly figures were kept, by outcome.",
        labels=[Label("outcome", ("rolled", "failed"))],
        odd="`failed` grows: `hours_not_rolled_up` in the log says why.",
    )
    hours_behind = gauge(
        "rollup_behind_seconds",
        "How far the hourly figures are behind; the journal is held for them.",
        unit="seconds",
        odd="Days: the journal can't be pruned (runbook disk-full).",
    )
    store_reachable = gauge(
        "store_reachable",
        "1 while the store could be read when it was asked.",
        odd="0 (runbook store-away).",
    )
    store_size = gauge(
        "store_size_bytes",
        "What the store takes: the file with its log, or our tables in PostgreSQL with their indexes.",
        unit="bytes",
        odd="Grows faster than the sizing page says: see journal and pruning (runbook disk-full).",
    )
    store_free = gauge(
        "store_free_bytes",
        "What is free where the SQLite file lies; NaN with PostgreSQL, whose own exporter knows.",
        unit="bytes",
        odd="Below a gigabyte, or gone within a day at this rate (runbook disk-full).",
    )
    journal_entries = gauge(
        "journal_entries",
        "Entries ever written to the journal; the next one has this number.",
        odd="Stands still while lines run: nothing is heard, or nothing can be stored.",
    )
    journal_oldest = gauge(
        "journal_oldest_timestamp_seconds",
        "When the oldest entry that is kept was written; NaN while there is none.",
        unit="seconds",
        odd="Older than store.keep_events_days and some days: it isn't pruned (runbook disk-full).",
    )
    pruned = counter(
        "pruned_rows",
        "Rows that were forgotten because they are old.",
        odd="Stands still for days: see `journal_oldest_timestamp_seconds`.",
    )
    last_prune = gauge(
        "last_prune_timestamp_seconds",
        "When this instance last forgot what is old; 0: not since its start.",
        unit="seconds",
        odd="More than a day ago on one that was in charge all the time (runbook disk-full).",
    )
    heartbeat_age = gauge(
        "heartbeat_age_seconds",
        "Since a thread last moved.",
        unit="seconds",
        labels=[Label("thread", of="threads of the program; a source's is named after it")],
        odd="Above 15: it waits for something that is away; at 60 the process ends itself.",
    )
    certificate_expires = gauge(
        "certificate_expires_timestamp_seconds",
        "When a certificate that we show to others is over, as its file holds it now.",
        unit="seconds",
        labels=[Label("certificate", of="`web`, `mqtt`, sources of the configuration")],
        odd="Within three weeks (runbook certificate-expires).",
    )
    live_pages = gauge(
        "live_pages",
        "Pages and programs that listen to the live stream.",
        odd="At 200 no more are let in.",
    )
    http_requests = counter(
        "http_requests",
        "Requests that were answered, but for probes, by method and class of the answer; `none`: the client"
        " went first.",
        labels=[Label("method", METHODS), Label("answer", ANSWERS)],
        odd="`5xx` grows: 503 is the store (runbook store-away), else a defect that the log names.",
    )
    http_seconds = histogram(
        "http_request_seconds",
        "Time until a request's answer began.",
        unit="seconds",
        buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10),
        odd="p99 above a second: a slow store, or reviews of long times.",
    )
