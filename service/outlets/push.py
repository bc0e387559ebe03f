"""Notices for phones: a Web Push message to each browser that hears this outlet.

Who hears it stands in the store and changes while we run. Whoever has a version isn't sent it again; one
phone that can't be reached for long no longer holds up what the others have.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import cast

import structlog

from service.domain.model import SECOND, Instant, Notice
from service.domain.traffic import Pace, pace_for_people
from service.language import ENGLISH, Language
from service.outgoing import Shown
from service.outlets.links import Key, Links
from service.outlets.pushed import News, encoded, pushed, topic, urgency
from service.outlets.pusher import Gone, Message, Pusher
from service.phones import Phone, Phones
from service.ports import Delivered, Delivery, Failed, StoreError
from service.usecases.deliver import telling

DEADLINE = 14.0
PACE = pace_for_people()
AT_ONCE = 16
PATIENCE = 600 * SECOND
"""A phone that wasn't reached for so long no longer counts, as long as others are."""
TTL = 3600
"""Seconds. What a phone hears of later than that was told to others long ago."""
REMEMBERED = 1000
_STORE_SECONDS = 4.0
log = structlog.get_logger()

_Told = tuple[str, int, int]
"""A notice, its version and how often it was said again: what a phone has or hasn't."""


@dataclass(frozen=True, slots=True)
class _Round:
    """How one round of messages went: ``reached`` phones, and the failures that count."""

    reached: int
    failures: Sequence[Failed]


class PushOutlet:
    """``phones`` says who hears it; without it (a look at the settings alone) nothing can be sent."""

    bundles = True

    def __init__(
        self,
        name: str,
        pusher: Pusher,
        *,
        phones: Phones | None,
        zone: tzinfo,
        public_url: str = "",
        ttl: int = TTL,
        key: Key | None = None,
        language: Language = ENGLISH,
        pace: Pace = PACE,
        deadline: float = DEADLINE,
    ) -> None:
        self.name = name
        self.pace = pace
        self._pusher = pusher
        self._phones = phones
        self._zone = zone
        self._ttl = ttl
        self._links = Links(public_url, name, key)
        self._language = language
        self._deadline = deadline
        self._have: OrderedDict[_Told, set[str]] = OrderedDict()
        self._failing_since: dict[str, Instant] = {}
        self._sent = 0

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        return await self.send_many([delivery], now=now)

    async def send_many(self, deliveries: Sequence[Delivery], *, now: Instant) -> Delivered | Failed:
        if self._phones is None:
            return Failed(
                "only the running service knows which phones hear this: send a test on its page",
                untouched=True,
            )
        began = asyncio.get_running_loop().time()
        try:
            phones = await self._hearing()
        except (StoreError, TimeoutError):
            return Failed("the store doesn't say which phones hear this", untouched=True)
        news = await asyncio.gather(*(self._news(each) for each in deliveries)) if phones else []
        left = self._deadline - (asyncio.get_running_loop().time() - began)
        sent = self._sent
        round_ = await self._tell_all(phones, news, now, within=max(0.1, left))
        if not round_.failures:
            for each in news:
                self._have.pop(_told(each.notice), None)
            return Delivered()
        return replace(_outcome(round_, len(phones)), partly=self._sent > sent)

    async def send_to(self, phone: Phone, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        """To this phone alone; ends within the deadline and never raises."""
        outcome = await self._tell(phone, [await self._news(delivery)], now)
        if isinstance(outcome, Gone):
            await self._forget([phone.device])
            return Failed("its subscription has ended", final=True)
        return outcome

    async def show(self, deliveries: Sequence[Delivery], *, now: Instant) -> Shown:
        """What a phone would show."""
        news = [
            News(told=telling(each, bundles=True), attempts=each.attempts, key=None) for each in deliveries
        ]
        said = pushed(news, person="", zone=self._zone, language=self._language)
        buttons = [f"[{each['title']}]" for each in cast(list[dict[str, str]], said["actions"])]
        text = "\n".join([str(said["title"]), str(said["body"]), " ".join(buttons)])
        return Shown(headers=[("ttl", str(self._ttl)), ("urgency", urgency(news))], text=text.strip())

    async def close(self) -> None:
        await self._pusher.close()

    async def _hearing(self) -> Sequence[Phone]:
        phones = self._phones
        if phones is None:
            return []
        async with asyncio.timeout(_STORE_SECONDS):
            return await asyncio.to_thread(phones.of, self.name)

    async def _news(self, delivery: Delivery) -> News:
        told = telling(delivery, bundles=True)
        key = await self._links.key_for(told.notice)
        return News(told=told, attempts=delivery.attempts, key=key)

    async def _tell_all(
        self, phones: Sequence[Phone], news: Sequence[News], now: Instant, *, within: float
    ) -> _Round:
        room = asyncio.Semaphore(AT_ONCE)

        async def tell(phone: Phone) -> Delivered | Gone | Failed:
            async with room:
                return await self._tell(phone, news, now)

        tasks = {asyncio.create_task(tell(phone)): phone for phone in phones}
        try:
            if tasks:
                await asyncio.wait(tasks, timeout=within)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)  # what they hold is let go
        silent = Failed(f"no answer within {self._deadline:g} s")
        ended = {phone: task.result() if _ended(task) else silent for task, phone in tasks.items()}
        return await self._judge(ended, now)

    async def _tell(self, phone: Phone, news: Sequence[News], now: Instant) -> Delivered | Gone | Failed:
        """What this phone doesn't have yet."""
        lacking = [each for each in news if phone.device not in self._have.get(_told(each.notice), ())]
        if not lacking:
            return Delivered()
        message = pushed(lacking, person=phone.person, zone=self._zone, language=self._spoken(phone))
        outcome = await self._pusher.push(
            phone,
            Message(
                plain=encoded(message),
                ttl=self._ttl,
                urgency=urgency(lacking),
                topic=topic(self.name, lacking),
            ),
            now=now,
        )
        if isinstance(outcome, Delivered):
            self._sent += 1
            for each in lacking:
                self._remember(each.notice, phone.device)
        return outcome

    async def _judge(self, ended: Mapping[Phone, Delivered | Gone | Failed], now: Instant) -> _Round:
        """Which failures count: all, or with somebody reached those of phones that were well lately."""
        failed = {phone.device: each for phone, each in ended.items() if isinstance(each, Failed)}
        since = {device: self._failing_since.get(device, now) for device in failed}
        self._failing_since = since
        reached = sum(isinstance(each, Delivered) for each in ended.values())
        counting = [each for device, each in failed.items() if not reached or now - since[device] < PATIENCE]
        await self._forget([phone.device for phone, each in ended.items() if isinstance(each, Gone)])
        return _Round(reached, counting)

    async def _forget(self, gone: Sequence[str]) -> None:
        """Their subscriptions ended. A store that is away hears of it with the next message to them."""
        phones = self._phones
        if not gone or phones is None:
            return
        log.info("phones_ended", outlet=self.name, devices=[device[:8] for device in gone])
        with contextlib.suppress(StoreError, TimeoutError):
            async with asyncio.timeout(_STORE_SECONDS):
                await asyncio.to_thread(lambda: [phones.end(device) for device in gone])

    def _remember(self, notice: Notice, device: str) -> None:
        self._have.setdefault(_told(notice), set()).add(device)
        if len(self._have) > REMEMBERED:
            self._have.popitem(last=False)

    def _spoken(self, phone: Phone) -> Language:
        return self._language.beside(phone.language)


def _told(notice: Notice) -> _Told:
    return notice.id, notice.version, notice.reminded


def _ended(task: asyncio.Task[Delivered | Gone | Failed]) -> bool:
    return task.done() and not task.cancelled()


def _outcome(round_: _Round, phones: int) -> Failed:
    """A service that asks for time asks it for its own phones; the whole outlet waits only where no phone was
    reached."""
    reasons = ", ".join(sorted({each.reason for each in round_.failures}))
    waits = [each.retry_after for each in round_.failures if each.retry_after]
    none = round_.reached == 0
    return Failed(
        f"{len(round_.failures)} of {phones} phones not reached ({reasons})",
        retry_after=min(waits) if none and len(waits) == len(round_.failures) else None,
        untouched=none and all(each.untouched for each in round_.failures),
        away=all(each.away for each in round_.failures),
    )
