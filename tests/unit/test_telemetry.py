"""What we report on ourselves: the form of a log line, how many there are, and the metrics."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator
from contextvars import copy_context

import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families
from pydantic import SecretStr

from service.telemetry import Metrics, configure_logging
from service.telemetry.actions import say
from service.telemetry.sparing import MOST, WINDOW, Sparing
from service.tracing import REQUEST
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


def test_what_is_logged_while_a_request_is_served_bears_its_id():
    stream = io.StringIO()
    configure_logging("info", stream)

    def serve() -> None:
        REQUEST.set("r-7")
        structlog.get_logger().info("started")

    copy_context().run(serve)
    structlog.get_logger().info("stopped")

    assert [event.get("request") for event in events(stream)] == ["r-7", None]


def test_the_metrics_are_a_closed_set():
    names = {family.name for family in text_string_to_metric_families(Metrics().render().decode())}

    declared = {each.name.removesuffix("_total") for each in Metrics.declared()}
    assert {name for name in names if not name.startswith("process_")} == declared


def test_each_metric_is_declared_once_and_says_what_to_do():
    declared = list(Metrics.declared())

    assert len({each.name for each in declared}) == len(declared) > 50
    assert [each.name for each in declared if not (each.help.endswith(".") and each.odd.endswith("."))] == []
    assert [each.name for each in declared if each.unit not in each.name] == []


def test_the_labels_of_a_metric_are_closed_or_names_of_the_configuration():
    labels = [label for each in Metrics.declared() for label in each.labels]

    assert [label for label in labels if bool(label.values) == bool(label.of)] == []
    bounded = ("configuration", "version", "revision", "threads")
    assert [label for label in labels if label.of and not any(word in label.of for word in bounded)] == []


def test_what_may_be_counted_is_0_until_it_is():
    metrics = Metrics()

    assert b'earlybell_messages_received_total{kind="count"} 0.0' in metrics.render()
    assert b'earlybell_http_requests_total{answer="5xx",method="POST"} 0.0' in metrics.render()


def test_two_sets_of_metrics_count_apart():
    counted, other = Metrics(), Metrics()

    counted.received.labels(kind="count").inc()

    assert b'earlybell_messages_received_total{kind="count"} 1.0' in counted.render()
    assert b'earlybell_messages_received_total{kind="count"} 0.0' in other.render()


class Said(list[tuple[str, dict[str, object]]]):
    def __call__(self, word: str, **fields: object) -> None:
        self.append((word, fields))


def test_a_flood_is_said_within_bounds_and_its_size_is():
    said = Said()
    sparing = Sparing(said, "refused", "more")

    for number in range(1000):
        sparing.note(number / 100, topic=f"t{number % 50}")
    assert said == [("refused", {"topic": f"t{number}", "times": 1}) for number in range(MOST)]

    said.clear()
    sparing.look(WINDOW - 1)
    assert said == []
    sparing.look(WINDOW)
    assert said == [
        *(("refused", {"topic": f"t{number}", "times": 19}) for number in range(MOST)),
        ("more", {"times": 800}),
    ]

    said.clear()
    sparing.look(3 * WINDOW)
    sparing.note(3 * WINDOW, topic="t0")
    assert said == [("refused", {"topic": "t0", "times": 1})]


def test_a_word_that_is_said_by_its_own_level_has_one():
    stream = io.StringIO()
    configure_logging("info", stream)

    say("broker_trouble", reason="away")

    (event,) = events(stream)
    assert (event["action"], event["level"]) == ("broker_trouble", "warning")
