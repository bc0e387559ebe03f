"""What the dashboard shows, in a short form: a row for each question that an operator has.

A store's own facts are told by each of its instances alike, so their greatest counts once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Query(NamedTuple):
    """``{}`` in the expression is where the chosen job and shard go."""

    expr: str
    legend: str = ""


class Panel(NamedTuple):
    """``steps``: from which value on it has which colour. ``text``: what a ``stat`` writes."""

    title: str
    queries: Sequence[Query]
    unit: str = "short"
    about: str = ""
    kind: str = "timeseries"
    width: int = 8
    steps: Sequence[tuple[str, float | None]] = ()
    text: str = "auto"


def _quantile(share: float, metric: str, by: str = "") -> str:
    keep = f"shard, {by}, le" if by else "shard, le"
    return f"histogram_quantile({share:g}, sum by ({keep}) (rate({metric}_bucket{{}}[$__rate_interval])))"


def _rate(metric: str, by: str) -> str:
    return f"sum by (shard, {by}) (rate({metric}{{}}[$__rate_interval]))"


_GOOD_IS_ONE = (("red", None), ("green", 1.0))
_BAD_ABOVE_0 = (("green", None), ("red", 1.0))

ROWS: Sequence[tuple[str, Sequence[Panel]]] = (
    (
        "Is it well?",
        (
            Panel(
                "In charge",
                [Query("sum by (shard) (earlybell_in_charge{})", "{{shard}}")],
                about="One instance of each shard.",
                kind="stat",
                width=4,
                steps=(("red", None), ("green", 1.0), ("red", 2.0)),
            ),
            Panel(
                "Ready",
                [Query("max by (shard) (earlybell_ready{})", "{{shard}}")],
                about="The one in charge hears, stores and keeps up.",
                kind="stat",
                width=4,
                steps=_GOOD_IS_ONE,
            ),
            Panel(
                "Brokers",
                [Query("min by (shard, source) (earlybell_source_connected{})", "{{shard}} {{source}}")],
                kind="stat",
                width=4,
                steps=_GOOD_IS_ONE,
            ),
            Panel(
                "Store",
                [Query("min by (shard) (earlybell_store_reachable{})", "{{shard}}")],
                kind="stat",
                width=4,
                steps=_GOOD_IS_ONE,
            ),
            Panel(
                "Oldest delivery waits",
                [Query("max by (shard, outlet) (earlybell_outbox_oldest_seconds{})", "{{shard}} {{outlet}}")],
                unit="s",
                about="Nothing here: nothing waits.",
                kind="stat",
                width=4,
                steps=(("green", None), ("yellow", 30.0), ("red", 120.0)),
            ),
            Panel(
                "Open notices",
                [Query("max by (shard, level) (earlybell_notices_open{})", "{{shard}} {{level}}")],
                kind="stat",
                width=4,
            ),
        ),
    ),
    (
        "From the floor to the store",
        (
            Panel(
                "Messages a second",
                [Query(_rate("earlybell_source_messages_total", "source"), "{{shard}} {{source}}")],
                unit="ops",
            ),
            Panel(
                "Received until durable",
                [
                    Query(_quantile(0.5, "earlybell_received_to_committed_seconds"), "{{shard}} half"),
                    Query(_quantile(0.99, "earlybell_received_to_committed_seconds"), "{{shard}} 99 %"),
                ],
                unit="s",
                about="Of the message of each commit that waited longest.",
            ),
            Panel(
                "Messages that wait",
                [Query("earlybell_inbound_waiting{}", "{{shard}} {{instance}}")],
                steps=(("green", None), ("red", 500.0)),
            ),
            Panel(
                "Refused a minute",
                [Query("60 * " + _rate("earlybell_source_refused_total", "source"), "{{shard}} {{source}}")],
            ),
            Panel(
                "Time of a commit",
                [
                    Query(_quantile(0.5, "earlybell_commit_seconds"), "{{shard}} half"),
                    Query(_quantile(0.99, "earlybell_commit_seconds"), "{{shard}} 99 %"),
                ],
                unit="s",
            ),
            Panel(
                "Missing, repeated, asked for again",
                [
                    Query(
                        "max by (shard, source) (earlybell_source_missing{})", "{{shard}} {{source}} missing"
                    ),
                    Query(
                        _rate("earlybell_source_repeats_total", "source"), "{{shard}} {{source}} repeats/s"
                    ),
                    Query(
                        "sum by (shard) (increase(earlybell_resends_asked_total{}[$__rate_interval]))",
                        "{{shard}} asked again",
                    ),
                ],
            ),
            Panel(
                "Connections made in an hour",
                [
                    Query(
                        "sum by (shard, source) (increase(earlybell_broker_connects_total{}[1h]))",
                        "{{shard}} {{source}}",
                    ),
                    Query(
                        "sum by (shard) (increase(earlybell_broker_sessions_lost_total{}[1h]))",
                        "{{shard}} sessions lost",
                    ),
                ],
            ),
            Panel(
                "Since each source was heard",
                [
                    Query(
                        "time() - max by (shard, source) (earlybell_source_last_heard_timestamp_seconds{})",
                        "{{shard}} {{source}}",
                    )
                ],
                unit="s",
            ),
            Panel(
                "Clocks that aren't believed",
                [
                    Query(
                        "max by (shard, source) (earlybell_source_clocks_doubted{})", "{{shard}} {{source}}"
                    ),
                    Query(
                        "earlybell_clock_timestamp_seconds{}"
                        " - timestamp(earlybell_clock_timestamp_seconds{})",
                        "{{instance}} ahead, s",
                    ),
                ],
            ),
        ),
    ),
    (
        "From the warning to people",
        (
            Panel(
                "Due until delivered",
                [
                    Query(
                        _quantile(0.5, "earlybell_due_to_delivered_seconds", "outlet"),
                        "{{shard}} {{outlet}} half",
                    ),
                    Query(
                        _quantile(0.99, "earlybell_due_to_delivered_seconds", "outlet"),
                        "{{shard}} {{outlet}} 99 %",
                    ),
                ],
                unit="s",
            ),
            Panel(
                "Attempts by outcome, a minute",
                [
                    Query(
                        "60 * " + _rate("earlybell_deliveries_total", "outlet, outcome"),
                        "{{shard}} {{outlet}} {{outcome}}",
                    )
                ],
            ),
            Panel(
                "Waiting, sending, given up",
                [
                    Query(
                        "max by (shard, outlet, state) (earlybell_outbox_deliveries{})",
                        "{{shard}} {{outlet}} {{state}}",
                    )
                ],
            ),
            Panel(
                "Messages sent in the last hour",
                [Query("max by (shard, outlet) (earlybell_messages_last_hour{})", "{{shard}} {{outlet}}")],
            ),
            Panel(
                "Too many for a person",
                [
                    Query("max by (shard, who) (earlybell_message_flood{})", "{{shard}} {{who}}"),
                    Query("max by (shard) (earlybell_notices_chattering{})", "{{shard}} chattering"),
                    Query("max by (shard) (earlybell_notices_stale{})", "{{shard}} open for a day"),
                ],
                steps=_BAD_ABOVE_0,
            ),
            Panel(
                "Late warnings, and ends inside the interval",
                [
                    Query(
                        "max by (shard, kind) (earlybell_warnings_late{})"
                        " / max by (shard, kind) (earlybell_warnings_judged{})",
                        "{{shard}} {{kind}} late",
                    ),
                    Query(
                        "max by (shard, kind) (earlybell_ends_covered{})"
                        " / max by (shard, kind) (earlybell_ends_seen{})",
                        "{{shard}} {{kind}} inside",
                    ),
                ],
                unit="percentunit",
                about="The promise is at most a tenth late, nine tenths inside.",
            ),
        ),
    ),
    (
        "The store",
        (
            Panel(
                "Size and what is free",
                [
                    Query("max by (shard) (earlybell_store_size_bytes{})", "{{shard}} taken"),
                    Query("min by (shard) (earlybell_store_free_bytes{})", "{{shard}} free"),
                ],
                unit="bytes",
            ),
            Panel(
                "Entries a second",
                [Query(_rate("earlybell_messages_received_total", "kind"), "{{shard}} {{kind}}")],
                unit="ops",
            ),
            Panel(
                "Age of the oldest entry, hours behind",
                [
                    Query(
                        "time() - min by (shard) (earlybell_journal_oldest_timestamp_seconds{})",
                        "{{shard}} oldest",
                    ),
                    Query("max by (shard) (earlybell_rollup_behind_seconds{})", "{{shard}} behind"),
                ],
                unit="s",
            ),
        ),
    ),
    (
        "The process",
        (
            Panel(
                "Memory",
                [Query("process_resident_memory_bytes{}", "{{shard}} {{instance}}")],
                unit="bytes",
            ),
            Panel(
                "Cores used",
                [Query("rate(process_cpu_seconds_total{}[$__rate_interval])", "{{shard}} {{instance}}")],
            ),
            Panel(
                "Threads: since they moved",
                [Query("earlybell_heartbeat_age_seconds{}", "{{instance}} {{thread}}")],
                unit="s",
                steps=(("green", None), ("red", 15.0)),
            ),
            Panel(
                "Requests a second",
                [Query(_rate("earlybell_http_requests_total", "answer"), "{{shard}} {{answer}}")],
                unit="ops",
            ),
            Panel(
                "Requests and plans: 99 %",
                [
                    Query(_quantile(0.99, "earlybell_http_request_seconds"), "{{shard}} request"),
                    Query(_quantile(0.99, "earlybell_plan_seconds"), "{{shard}} plan"),
                ],
                unit="s",
            ),
            Panel(
                "Live pages, slots, forecasts a second",
                [
                    Query("sum by (shard) (earlybell_live_pages{})", "{{shard}} pages"),
                    Query("max by (shard) (earlybell_slots_known{})", "{{shard}} slots"),
                    Query(
                        "sum by (shard) (rate(earlybell_forecasts_published_total{}[$__rate_interval]))",
                        "{{shard}} forecasts/s",
                    ),
                ],
            ),
            Panel(
                "Certificates: left",
                [
                    Query(
                        "min by (certificate) (earlybell_certificate_expires_timestamp_seconds{}) - time()",
                        "{{certificate}}",
                    )
                ],
                unit="s",
                steps=(("red", None), ("yellow", 3 * 86400.0), ("green", 21 * 86400.0)),
                kind="stat",
            ),
            Panel(
                "Term of the lease",
                [Query("max by (shard) (earlybell_lease_term{})", "{{shard}}")],
                about="One more with each start and takeover.",
            ),
            Panel(
                "What runs",
                [
                    Query(
                        "earlybell_build_info{}",
                        "{{instance}}: {{version}}, schema {{revision}}, {{store}}",
                    )
                ],
                kind="stat",
                text="name",
            ),
        ),
    ),
)
