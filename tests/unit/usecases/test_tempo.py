"""How fast a recording is played, and how long it is, with a clock in the test's hand."""

from __future__ import annotations

import threading

from service.domain.events import JournalEntry
from service.domain.model import SECOND
from service.usecases.recording import Seal
from service.usecases.survey import end_of
from service.usecases.tempo import FASTEST, Tempo
from service.wire.journal import Exporter, parse_line
from tests.support.taped import taped

BEGIN = 1_000 * SECOND


class Steady:
    seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


def at(tempo: Tempo) -> float:
    """Seconds since the beginning."""
    return (tempo.due() - BEGIN) / SECOND


def test_time_in_a_recording_runs_at_the_speed_stands_while_paused_and_goes_on_from_there():
    clock = Steady()
    tempo = Tempo(BEGIN, speed=60.0, steady=clock)
    clock.seconds = 2.0
    assert at(tempo) == 120.0
    tempo.steer(BEGIN + 120 * SECOND, paused=True)
    clock.seconds = 50.0
    assert at(tempo) == 120.0
    tempo.steer(BEGIN + 120 * SECOND, paused=False, speed=10.0)
    clock.seconds = 51.0
    assert at(tempo) == 130.0


def test_after_a_leap_time_goes_on_once_everything_until_there_was_played():
    clock = Steady()
    tempo = Tempo(BEGIN, speed=60.0, steady=clock)
    tempo.steer(BEGIN, to=BEGIN + 1000 * SECOND)
    clock.seconds = 30.0
    assert at(tempo) == 1000.0
    tempo.reached()
    assert at(tempo) == 1000.0
    clock.seconds = 31.0
    assert at(tempo) == 1060.0


def test_what_is_played_as_fast_as_it_goes_goes_on_at_a_speed_from_where_it_is():
    clock = Steady()
    tempo = Tempo(BEGIN, speed=FASTEST, steady=clock)
    assert tempo.due() == FASTEST
    assert tempo.wait(BEGIN + 10**15, 60.0)
    tempo.steer(BEGIN + 500 * SECOND, speed=2.0)
    clock.seconds = 3.0
    assert at(tempo) == 506.0


def test_a_pause_before_an_entry_that_is_not_due_takes_nothing_from_the_wait_for_it():
    clock = Steady()
    tempo = Tempo(BEGIN, speed=1.0, steady=clock)
    ahead = BEGIN + 100 * SECOND
    clock.seconds = 90.0
    assert tempo.moment(0, ahead) == BEGIN + 90 * SECOND
    for seconds, paused in ((90.0, True), (500.0, False)):
        clock.seconds = seconds
        tempo.steer(tempo.moment(0, ahead), paused=paused)
    clock.seconds = 509.0
    assert not tempo.wait(ahead, 0.0)
    clock.seconds = 510.0
    assert tempo.wait(ahead, 0.0)
    clock.seconds = 600.0
    assert tempo.moment(BEGIN, ahead) == ahead - 1, "not yet played"
    assert tempo.moment(ahead, None) == ahead


def test_whoever_waits_hears_at_once_that_the_tempo_changed_or_ended():
    tempo = Tempo(BEGIN, speed=1.0, steady=Steady())
    answers: list[bool] = []
    for change in (lambda: tempo.steer(BEGIN, to=BEGIN + 9 * SECOND), tempo.end):
        waits = threading.Thread(target=lambda: answers.append(tempo.wait(BEGIN + 9 * SECOND, 60.0)))
        waits.start()
        change()
        waits.join(10.0)
        assert not waits.is_alive()
    assert answers == [True, True]


def test_the_end_of_a_recording_is_its_last_entry_and_what_is_not_ours_is_left_alone():
    last = parse_line(taped()[-1]).what
    assert isinstance(last, JournalEntry)
    manifest = Seal("1").end(Exporter("plant"))
    for lines in (taped(), [*taped(), manifest, b"\n"], [*taped(), b"nothing of ours\n"]):
        assert end_of(lines) == last.at
    assert end_of(taped(), last.at - SECOND) == last.at - SECOND
    assert end_of(taped(), last.at + SECOND) == last.at
    assert end_of([b"", b"nothing of ours\n"]) is None
    assert end_of([taped()[0]], last.at) is None
