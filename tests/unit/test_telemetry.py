"""What we report on ourselves: the form of a log line, and the names of the metrics."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator

import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families
from pydantic import SecretStr

from service.telemetry import Metrics, configure_logging
from tests.support.hostile import HOSTILE


@pytest.fixture(autouse=True)
def _logging_as_before() -> Iterator[None]:
    root, level, handlers = logging.getLogger(), logging.getLogger().level, logging.getLogger().handlers[:]
    yield
    structlog.reset_defaults()
    root.handlers[:] = handlers
    root.setLevel(level)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def events(stream: io.StringIO) -> list[dict[str, object]]:
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def test_an_event_is_one_line_of_json_with_its_action_and_ids():
    stream = io.StringIO()
    configure_logging("info", stream)

    structlog.get_logger().info("batch_committed", position=7, text="two\nlines")

    (event,) = events(stream)
    assert str(event.pop("at")).endswith("Z")
    assert event == {"level": "info", "action": "batch_committed", "position": 7, "text": "two\nlines"}


@pytest.mark.parametrize("stream", [io.StringIO(), Terminal()], ids=["file", "terminal"])
@pytest.mark.parametrize("text", [*HOSTILE.values(), "a\ud83db", "x" * 10_000])
def test_hostile_text_is_one_line_in_which_nothing_acts(stream: io.StringIO, text: str):
    stream.seek(0)
    stream.truncate()
    configure_logging("info", stream)

    structlog.get_logger().warning("refused", reason=text, topics=[text])
    logging.getLogger("library").warning("%s", text)

    lines = stream.getvalue().split("\n")
    assert [line == "" for line in lines] == [False, False, True]
    assert all(line.isprintable() for line in lines)
    assert all(line.startswith(("at=", '{"at": ')) for line in lines[:2])


def test_a_failure_is_still_one_line():
    stream = io.StringIO()
    configure_logging("info", stream)

    try:
        int("on purpose")
    except ValueError:
        structlog.get_logger().exception("commit_failed")

    (event,) = events(stream)
    assert event["action"] == "commit_failed"
    assert "ValueError: invalid literal" in str(event["exception"])


def test_a_terminal_gets_keys_and_values_in_one_line():
    terminal = Terminal()
    configure_logging("info", terminal)

    structlog.get_logger().info("batch_committed", position=7, text="two\nlines")

    (line,) = terminal.getvalue().splitlines()
    assert line.startswith("at=")
    assert line.endswith(r" level=info action=batch_committed position=7 text=two\nlines")


def test_only_the_level_asked_for_and_worse_is_told():
    stream = io.StringIO()
    configure_logging("warning", stream)

    structlog.get_logger().info("quiet")
    logging.getLogger("library").info("quiet")
    structlog.get_logger().warning("heard")

    assert [event["action"] for event in events(stream)] == ["heard"]


def test_what_libraries_log_comes_out_in_the_same_form():
    stream = io.StringIO()
    configure_logging("info", stream)

    logging.getLogger("made.up.library").info("started on port %d", 8080)

    (event,) = events(stream)
    assert event["action"] == "library"
    assert (event["logger"], event["message"]) == ("made.up.library", "started on port 8080")


def test_addresses_that_the_http_client_calls_are_not_logged():
    stream = io.StringIO()
    configure_logging("debug", stream)

    logging.getLogger("httpx").info("HTTP Request: POST https://chat.example/hooks/token")

    assert events(stream) == []


def test_a_secret_in_a_field_stays_one():
    stream = io.StringIO()
    configure_logging("info", stream)

    structlog.get_logger().info("configured", password=SecretStr("geheim-4711"))

    assert "geheim" not in stream.getvalue()


def test_the_metrics_are_a_closed_set():
    names = {family.name for family in text_string_to_metric_families(Metrics().render().decode())}

    assert {name for name in names if not name.startswith("process_")} == {
        "earlybell_batch_events",
        "earlybell_broker_connected",
        "earlybell_broker_sessions_lost",
        "earlybell_commit_seconds",
        "earlybell_deliveries",
        "earlybell_delivery_seconds",
        "earlybell_ends_covered",
        "earlybell_ends_seen",
        "earlybell_forecasts_published",
        "earlybell_heartbeat_age_seconds",
        "earlybell_heartbeats_out",
        "earlybell_hours_behind_seconds",
        "earlybell_hours_rolled",
        "earlybell_in_charge",
        "earlybell_inbound_waiting",
        "earlybell_last_commit_timestamp_seconds",
        "earlybell_message_flood",
        "earlybell_messages_last_hour",
        "earlybell_messages_received",
        "earlybell_messages_refused",
        "earlybell_messages_repeated",
        "earlybell_notices_chattering",
        "earlybell_notices_open",
        "earlybell_notices_stale",
        "earlybell_outbox_deliveries",
        "earlybell_outbox_waiting",
        "earlybell_resends_asked",
        "earlybell_source_connected",
        "earlybell_source_gaps",
        "earlybell_source_last_heard_timestamp_seconds",
        "earlybell_source_messages",
        "earlybell_source_missing",
        "earlybell_source_refused",
        "earlybell_source_repeats",
        "earlybell_warnings_apart",
        "earlybell_warnings_judged",
        "earlybell_warnings_late",
    }


def test_two_sets_of_metrics_count_apart():
    counted, other = Metrics(), Metrics()

    counted.received.labels(kind="count").inc()

    assert b'earlybell_messages_received_total{kind="count"} 1.0' in counted.render()
    assert b'kind="count"' not in other.render()
