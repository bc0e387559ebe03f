"""Notices for a chat room: HTTP POST of ``{"text": …}``, or of whatever JSON a template of the site makes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo

import jinja2
import msgspec
from jinja2.sandbox import ImmutableSandboxedEnvironment

from service.domain.model import Change, Instant, Notice
from service.domain.traffic import Pace, pace_for_people
from service.language import ENGLISH, Language
from service.outgoing import Shown
from service.outlets.bundle import message
from service.outlets.escape import chat_safe, cleaned
from service.outlets.links import Key, Links
from service.outlets.network import Way
from service.outlets.post import DEADLINE, Post
from service.ports import Delivered, Delivery, Failed
from service.usecases.deliver import Telling, telling

TEMPLATE = '{"text": {{ text | tojson }}}'
"""Made with ``text``, ``title``, ``headline``, ``link``, ``change``, ``site`` and ``notice`` (as in the API),
all of them made harmless before. A message about several has all of them in ``notices``, most urgent first;
``notice`` and ``change`` are those of the first."""


class ChatOutlet:
    """Raises ``ValueError`` when ``url`` or ``template`` can't be used."""

    bundles = True

    def __init__(
        self,
        name: str,
        url: str,
        *,
        site: str,
        public_url: str,
        zone: tzinfo,
        template: str | None = None,
        deadline: float = DEADLINE,
        way: Way | None = None,
        key: Key | None = None,
        language: Language = ENGLISH,
        pace: Pace | None = None,
    ) -> None:
        self.name = name
        self.pace = pace or pace_for_people()
        self._post = Post(url, deadline=deadline, way=way)
        self._site = chat_safe(site)
        self._links = Links(public_url, name, key)
        self._zone = zone
        self._language = language
        self._template = _compiled(template or TEMPLATE)
        samples = [Telling(change=Change.OPENED, notice=each) for each in _SAMPLES]
        for several in ([samples[0]], [samples[1]], samples):
            self._body(several, link="https://…", late=False)

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        return await self.send_many([delivery], now=now)

    async def send_many(self, deliveries: Sequence[Delivery], *, now: Instant) -> Delivered | Failed:
        told = [telling(each, bundles=True) for each in deliveries]
        link = await self._links.to_all([each.notice for each in told])
        try:
            body = self._body(told, link=link, late=any(each.attempts > 1 for each in deliveries))
        except ValueError as error:
            return Failed(str(error))
        headers = {"content-type": "application/json", "user-agent": "earlybell"}
        return await self._post.send(body, headers=headers, now=now)

    async def show(self, deliveries: Sequence[Delivery], *, now: Instant) -> Shown:
        """What would be sent; raises ``ValueError`` where the template fails."""
        told = [telling(each, bundles=True) for each in deliveries]
        link = await self._links.to_all([each.notice for each in told])
        body = self._body(told, link=link, late=False)
        return Shown(headers=[("content-type", "application/json")], text=body.decode())

    async def close(self) -> None:
        await self._post.close()

    def _body(self, told: Sequence[Telling], *, link: str | None, late: bool) -> bytes:
        safe = [replace(each, notice=cleaned(each.notice, chat_safe)) for each in told]
        said = message(safe, zone=self._zone, link=link, late=late, language=self._language)
        notices = [msgspec.to_builtins(each.notice) for each in safe]
        try:
            body = self._template.render(
                text=said.text(),
                title=said.title,
                headline=said.headline,
                link=link,
                change=told[0].change.value,
                site=self._site,
                notice=notices[0],
                notices=notices,
            ).encode()
        except Exception as error:  # a template may fail in any way
            raise ValueError(f"template fails: {type(error).__name__}: {error}") from None
        return _checked_json(body)


def _compiled(template: str) -> jinja2.Template:
    try:
        return ImmutableSandboxedEnvironment(autoescape=False).from_string(template)
    except jinja2.TemplateSyntaxError as error:
        raise ValueError(f"template, line {error.lineno}: {error.message}") from None


def _checked_json(body: bytes) -> bytes:
    try:
        msgspec.json.decode(body, type=msgspec.Raw)
    except msgspec.DecodeError as error:
        hint = "write values as {{ value | tojson }}, without quotes around them"
        raise ValueError(f"template doesn't make JSON ({error}); {hint}") from None
    return body


_BARE = Notice(
    id="n0",
    kind="silent",
    line="L",
    station=None,
    slot=None,
    part=None,
    supply_kind=None,
    boundary_only=False,
    level="early",
    state="open",
    opened_at="2026-01-05T06:00:00.000Z",
    changed_at="2026-01-05T06:00:00.000Z",
    panels_to_empty=None,
    empty_at=None,
    message='gateway "g" fell silent',
)
_SAMPLES = (
    _BARE,
    msgspec.structs.replace(_BARE, kind="supply", station="S", slot="1", part='R "10" K', supply_kind="tape"),
)
"""A template is tried at the start, with the barest notice and one full of quotes, not at the first alarm."""
