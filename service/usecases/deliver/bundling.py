"""Which of the changes that go out together share a message, and in what order they are told. Pure.

Slots of one line are one message. Several lines share one when there are many of them, much to tell, or
little that may be said; then it is a digest. Whatever is claimed is in one of the messages.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from service.domain.model import Level, Notice, NoticeState
from service.ports import Delivery
from service.usecases.deliver.telling import telling

MANY_LINES = 4
"""So many lines at once are a digest, and so are ..."""
MANY_NOTICES = 9
"""... so many notices of more than one line."""

Urgency = tuple[int, int, float, str, str]


def urgency(notice: Notice) -> Urgency:
    """Sorts the most urgent first: what calls for somebody, by level and by panels; then what others have
    taken or made quiet; what is closed last."""
    panels = notice.panels_to_empty
    left = float("inf") if panels is None else float(panels.p50)
    return (_STATES.get(notice.state, 0), -Level(notice.level).rank, left, notice.opened_at, notice.id)


_STATES: dict[str, int] = {NoticeState.TAKEN: 1, NoticeState.QUIET: 1, NoticeState.CLOSED: 2}


def messages(claimed: Sequence[Delivery], *, at_most: int) -> list[list[Delivery]]:
    """What was claimed together, shared out to ``at_most`` so many messages; the most urgent one and the most
    urgent in each come first."""
    ordered = sorted(claimed, key=lambda each: urgency(telling(each, bundles=True).notice))
    lines: dict[str | None, list[Delivery]] = defaultdict(list)
    for each in ordered:
        lines[each.notice.line].append(each)
    digest = len(lines) >= MANY_LINES or len(ordered) >= MANY_NOTICES or len(lines) > at_most
    return [ordered] if digest and len(lines) > 1 else list(lines.values())
