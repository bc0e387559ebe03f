"""What keeps people from being told too much: no notice chatters on simulated lines, and some hours of four
lines in shifts, told by the real routes and in the real bundles, flood nobody.

A whole week comes from ``make week``.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

import pytest

from service.domain.budget import BENCHMARKS
from service.domain.floods import MINUTE, TEN_MINUTES, chatters, floods, peak
from service.domain.model import SECOND, Change, Instant, from_datetime
from service.domain.notices import Told
from service.usecases.posts import Posts
from simulators.scenario import load_scenario, shipped
from tests.evaluation.week import one_week
from tests.support.closed_loop import ClosedLoop
from tests.support.notices import notice
from tests.support.story import START


def moment(rfc3339: str) -> Instant:
    return from_datetime(datetime.fromisoformat(rfc3339))


@pytest.mark.parametrize(
    ("name", "seed"), [("two-lines-by-day", 911), ("three-lines-by-night", 912), ("counts-and-lamps", 913)]
)
def test_no_supply_notice_chatters_or_comes_back_within_a_minute(name: str, seed: int):
    """Three openings a minute are chatter (ANSI/ISA-18.2, found on public pages); a level signal is usually
    held for 60 s (EEMUA 191, from memory). Ours has no delay: what keeps it is that it closes by itself only
    clear of the edge, so it must come to the same."""
    loop = ClosedLoop(load_scenario(shipped()[name]), seed=seed)
    loop.run(1.0)
    opened: dict[tuple[object, ...], list[Instant]] = defaultdict(list)
    closed: dict[str, Instant] = {}
    for told in loop.told:
        notice = told.notice
        at = moment(notice.changed_at)
        if notice.kind == "supply" and told.change == "opened":
            opened[notice.line, notice.station, notice.slot].append(at)
            assert at - closed.get(notice.id, at - MINUTE) >= MINUTE, f"{notice.id} came back"
        if told.change == "closed":
            closed[notice.id] = at
    assert sum(map(len, opened.values())) > 8
    assert not [place for place, moments in opened.items() if chatters(moments)]


def test_some_hours_of_four_lines_flood_nobody():
    """At most 2.5 messages an emptying, never more than 10 in ten minutes (ANSI/ISA-18.2, from memory) nor,
    by the average over hours with messages, more than can be managed; those at home are left in peace."""
    week = one_week((921, 2.0))
    bell = week.bell
    assert len(bell.emptyings) > 20
    assert bell.messages / len(bell.emptyings) <= 2.5
    assert len(bell.untold) <= 1, "whose load was scanned late, with a wrong moment"
    loads = week.loads.values()
    assert max(load.peak_ten_minutes for load in loads) <= BENCHMARKS["peak_ten_minutes"].good
    assert not any(load.floods for load in loads)
    assert {load.verdict.value for load in loads} <= {"very likely acceptable", "manageable"}
    assert week.chattering == []
    told = {who for who, load in week.loads.items() if load.messages}
    assert told - {"Wren Achter"} == {"Ilka Tarn", "Boas Reed", "Mina Holt", "Piet Lorn"}


@pytest.mark.parametrize("level", ["early", "urgent"])
def test_however_much_there_is_to_tell_nobody_is_flooded_and_nothing_stays_untold(level: str):
    """A notice every five seconds for an hour, into one chat."""
    posts, sent = Posts(["chat"]), []
    for second in range(2 * 3600):
        now = START + second * SECOND
        if second < 3600 and second % 5 == 0:
            told = notice(id=f"n{second}", line=f"L{second % 4}", level=level)
            posts.put(Told(told, Change.OPENED, outlets=("chat",)), now)
        sent += posts.send(now)
    moments = [post.at for post in sent]
    assert floods(moments, moments[-1]) == []
    assert peak(moments, TEN_MINUTES) <= BENCHMARKS["peak_ten_minutes"].good
    assert len({each.id for post in sent for each in post.notices}) == 720
