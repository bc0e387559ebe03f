"""How an attempt ended for each of the changes that one message told. Pure, but for what the lane learns."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from service.domain.backoff import next_try
from service.domain.model import Change, Instant, NoticeState
from service.ports import Delivered, Delivery, Failed, Settled
from service.usecases.deliver.lane import Lane
from service.usecases.deliver.telling import telling


def judge(
    lane: Lane,
    bundle: Sequence[Delivery],
    outcome: Delivered | Failed,
    now: Instant,
    *,
    chance: Callable[[], float],
) -> list[Settled]:
    """Of each of them; what the lane has learned is kept with the last."""
    conversations = [each.conversation for each in bundle]
    if isinstance(outcome, Delivered):
        lane.delivered(conversations, now)
    elif not (outcome.final and lane.disabled is not None):
        lane.failed(conversations, outcome, now, chance=chance())
    *others, last = bundle
    return [
        *(_end(lane, each, outcome, now, chance()) for each in others),
        _end(lane, last, outcome, now, chance(), kept=True),
    ]


def _end(
    lane: Lane,
    delivery: Delivery,
    outcome: Delivered | Failed,
    now: Instant,
    chance: float,
    *,
    kept: bool = False,
) -> Settled:
    covers = telling(delivery, bundles=lane.bundles).covers(bundles=lane.bundles)
    traffic = lane.traffic if kept else None
    if isinstance(outcome, Delivered):
        return Settled(state="sent", at=now, covers=covers, traffic=traffic)
    again = None
    if not outcome.final:
        again = next_try(
            delivery.attempts,
            now=now,
            created_at=delivery.created_at,
            closed=(delivery.latest or delivery.notice).state == NoticeState.CLOSED,
            chance=chance,
            retry_after=outcome.retry_after,
        )
    if again is None:
        lane.gave_up(delivery.conversation)
    return Settled(
        state="dead" if again is None else "waiting",
        at=now,
        covers=covers,
        not_before=again,
        error=outcome.reason,
        traffic=traffic,
        untouched=outcome.untouched,
    )


def put_off(delivery: Delivery, now: Instant) -> Settled:
    """It wasn't tried: due again at once."""
    version = delivery.notice.version
    return Settled(state="waiting", at=now, covers=version, not_before=now, untouched=True)


def untold(delivery: Delivery, now: Instant) -> Settled:
    """What is moot ends without a message: an opening with all that came of it, a reminder alone."""
    whole = delivery.change is Change.OPENED and delivery.latest is not None
    version = delivery.latest.version if whole and delivery.latest else delivery.notice.version
    return Settled(state="replaced", at=now, covers=version)
