"""Notices for one of the many services that the library apprise knows; it is an extra of its own.

The library brings its own ways to the network, one for each service, and they block: each call runs in a
thread that is left behind when it doesn't end in time. Its addresses carry keys, so neither they nor what the
library logs about them is ever shown; of an answer only its number is.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import logging
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import tzinfo
from functools import partial
from typing import Any, Protocol, cast
from urllib.parse import urlsplit

from service.domain.model import Instant, Level, NoticeState
from service.domain.sayings import SAYINGS
from service.domain.traffic import Pace, pace_for_people
from service.language import ENGLISH, Language
from service.outgoing import Shown
from service.outlets.bundle import message
from service.outlets.escape import chat_safe, cleaned
from service.outlets.links import Key, Links
from service.outlets.words import Words
from service.ports import Delivered, Delivery, Failed
from service.usecases.deliver import Telling, telling

DEADLINE = 13.0
"""Seconds; a link's key may have taken two before."""
REMEMBERED = 1000
HERE_ONLY = frozenset(
    {"blink1", "dbus", "gio", "glib", "gnome", "kde", "macosx", "qt", "syslog", "vapid", "windows"}
)
"""Schemes that act on this machine instead of sending anything; or that keep files here."""
INSTALL = "the library apprise isn't installed (pip install 'earlybell[apprise]')"

_NUMBER = re.compile(r"error=(\d{3})\b")
Urgency = str


class _Service(Protocol):
    """What of the library's services is used."""

    def notify(self, **message: Any) -> bool: ...


class _Numbers(logging.Filter):
    """Keeps the number of the last answer that the library logs, for each thread; nothing gets past it."""

    def __init__(self) -> None:
        super().__init__()
        self.last = threading.local()

    def filter(self, record: logging.LogRecord) -> bool:
        if found := _NUMBER.search(record.getMessage()):
            self.last.number = found[1]
        return False


_numbers = _Numbers()


class _Way:
    """One address, used by one thread at a time."""

    def __init__(self, url: str, library: Any, number: int) -> None:
        self.scheme = _checked(url, number)
        self._service = cast("_Service | None", _made(library, url))
        if self._service is None:
            raise ValueError(f"urls[{number}] ({self.scheme}://) isn't an address that the library knows")
        self._turn = threading.Lock()

    def send(self, title: str, body: str, urgency: Urgency) -> str | None:
        """Why it didn't get there, or ``None``; blocks."""
        if not self._turn.acquire(timeout=DEADLINE):
            return "it is still busy with a message before"
        try:
            _numbers.last.number = None
            sent = self._service is not None and self._service.notify(
                title=title, body=body, notify_type=urgency, body_format="text"
            )
        except Exception as error:  # a library's text might hold a secret
            return f"unexpected {type(error).__name__}"
        finally:
            self._turn.release()
        number = _numbers.last.number
        return None if sent else f"answered {number}" if number else "not accepted"


class OtherOutlet:
    """Raises ``ValueError`` when an address can't be used, or the library isn't there."""

    bundles = True

    def __init__(
        self,
        name: str,
        urls: Sequence[str],
        *,
        public_url: str,
        zone: tzinfo,
        key: Key | None = None,
        language: Language = ENGLISH,
        deadline: float = DEADLINE,
        pace: Pace | None = None,
    ) -> None:
        self.name = name
        self.pace = pace or pace_for_people()
        library = _library()
        self._ways = [_Way(url, library, number) for number, url in enumerate(urls)]
        self._links = Links(public_url, name, key)
        self._zone = zone
        self._language = language
        self._deadline = deadline
        self._have: dict[str, set[int]] = {}

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        return await self.send_many([delivery], now=now)

    async def send_many(self, deliveries: Sequence[Delivery], *, now: Instant) -> Delivered | Failed:
        told = [telling(each, bundles=True) for each in deliveries]
        said = await self._said(told, deliveries)
        key = " ".join(f"{each.notice.id}:{each.notice.version}:{each.notice.reminded}" for each in told)
        have = self._have.pop(key, set())
        before = len(have)
        reasons = await self._offer(said, _urgency(told), have)
        if not reasons:
            return Delivered()
        self._keep(key, have)
        return Failed("; ".join(reasons), partly=len(have) > before)

    async def show(self, deliveries: Sequence[Delivery], *, now: Instant) -> Shown:
        """What would be sent."""
        said = await self._said([telling(each, bundles=True) for each in deliveries], deliveries)
        return Shown(headers=[("title", said.title)], text=said.text())

    async def close(self) -> None:
        """The library keeps nothing open that could be closed."""

    async def _said(self, told: Sequence[Telling], deliveries: Sequence[Delivery]) -> Words:
        return message(
            [replace(each, notice=cleaned(each.notice, chat_safe)) for each in told],
            zone=self._zone,
            link=await self._links.to_all([each.notice for each in told]),
            late=any(each.attempts > 1 for each in deliveries),
            language=self._language,
        )

    async def _offer(self, said: Words, urgency: Urgency, have: set[int]) -> list[str]:
        """Why some don't have it; ``have`` grows by those that take it, also when they take too long."""
        waiting = {
            number: _in_thread(partial(way.send, said.title, said.text(), urgency))
            for number, way in enumerate(self._ways)
            if number not in have
        }
        for number, answer in waiting.items():
            answer.add_done_callback(partial(_note, have, number))
        if waiting:
            await asyncio.wait(waiting.values(), timeout=self._deadline)
        late = f"no end within {self._deadline:g} s"
        whys = {number: each.result() if each.done() else late for number, each in waiting.items()}
        return [f"{self._ways[number].scheme}: {why}" for number, why in whys.items() if why is not None]

    def _keep(self, key: str, have: set[int]) -> None:
        self._have[key] = have
        if len(self._have) > REMEMBERED:
            del self._have[next(iter(self._have))]


def _in_thread(work: Callable[[], str | None]) -> asyncio.Future[str | None]:
    """``work`` in a thread of its own, which may outlive everybody who waits for it."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[str | None] = loop.create_future()

    def settle(answer: str | None) -> None:
        if not future.done():
            future.set_result(answer)

    def run() -> None:
        answer = work()
        with contextlib.suppress(RuntimeError):  # the event loop is closed: nobody waits any more
            loop.call_soon_threadsafe(settle, answer)

    threading.Thread(target=run, name="apprise", daemon=True).start()
    return future


def _note(have: set[int], number: int, answer: asyncio.Future[str | None]) -> None:
    if not answer.cancelled() and answer.result() is None:
        have.add(number)


def _urgency(told: Sequence[Telling]) -> Urgency:
    """The library's word for the worst of them."""
    notices = [each.notice for each in told]
    if all(each.kind in SAYINGS for each in notices):
        return "info"
    if all(each.state == NoticeState.CLOSED for each in notices):
        return "success"
    return "failure" if any(each.level == Level.EMPTY for each in notices) else "warning"


def _checked(url: str, number: int) -> str:
    """The scheme; what is wrong is said without saying the address."""
    try:
        parts = urlsplit(url)
    except ValueError:
        raise ValueError(f"urls[{number}] can't be read") from None
    if not parts.scheme or "://" not in url:
        raise ValueError(f"urls[{number}] must begin with a scheme such as mailto:// or json://")
    if parts.scheme in HERE_ONLY:
        raise ValueError(f"urls[{number}]: {parts.scheme}:// doesn't leave this machine")
    return parts.scheme


def _made(library: Any, url: str) -> object:
    """No redirects to places that nobody named, nothing kept in files, no logs with addresses in them."""
    asset = library.AppriseAsset(
        async_mode=False,
        secure_logging=True,
        http_redirects=False,
        storage_mode="memory",
        allow_templates=False,
        pgp_autogen=False,
        pem_autogen=False,
        app_id="Earlybell",
        service_timeout=DEADLINE,
    )
    return library.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)


def _library() -> Any:
    """Only whoever configures such an outlet waits for it to be read, and needs it at all."""
    try:
        library = importlib.import_module("apprise")
    except ImportError:
        raise ValueError(INSTALL) from None
    logging.getLogger("apprise").addFilter(_numbers)
    for name in ("urllib3", "requests_oauthlib"):  # they log paths, and with them keys
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    return library
