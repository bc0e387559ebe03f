"""Notices for a chat room: HTTP POST of ``{"text": …}``, or of whatever JSON a template of the site makes."""

from __future__ import annotations

from datetime import tzinfo

import jinja2
import msgspec
from jinja2.sandbox import ImmutableSandboxedEnvironment

from service.domain.model import Change, Instant, Notice
from service.domain.traffic import Pace
from service.language import ENGLISH, Language
from service.outlets.escape import chat_safe, cleaned
from service.outlets.links import Key, Links
from service.outlets.network import Way
from service.outlets.post import DEADLINE, Post
from service.outlets.words import words
from service.ports import Delivered, Delivery, Failed
from service.usecases.deliver import Telling, telling

TEMPLATE = '{"text": {{ text | tojson }}}'
"""Made with ``text``, ``title``, ``headline``, ``link``, ``change``, ``site`` and ``notice`` (as in the API),
all of them made harmless before."""


class ChatOutlet:
    """Raises ``ValueError`` when ``url`` or ``template`` can't be used."""

    pace = Pace(rate=2.0, burst=20)
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
    ) -> None:
        self.name = name
        self._post = Post(url, deadline=deadline, way=way)
        self._site = chat_safe(site)
        self._links = Links(public_url, name, key)
        self._zone = zone
        self._language = language
        self._template = _compiled(template or TEMPLATE)
        for sample in _SAMPLES:
            self._body(Telling(change=Change.OPENED, notice=sample), link="https://…", attempts=1)

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        told = telling(delivery)
        try:
            body = self._body(told, link=await self._links.to(told.notice), attempts=delivery.attempts)
        except ValueError as error:
            return Failed(str(error))
        headers = {"content-type": "application/json", "user-agent": "earlybell"}
        return await self._post.send(body, headers=headers, now=now)

    async def close(self) -> None:
        await self._post.close()

    def _body(self, told: Telling, *, link: str | None, attempts: int) -> bytes:
        notice = cleaned(told.notice, chat_safe)
        said = words(
            notice,
            zone=self._zone,
            link=link,
            attempts=attempts,
            replaces=told.replaces is not None,
            unheard=told.unheard,
            language=self._language,
        )
        try:
            body = self._template.render(
                text=said.text(),
                title=said.title,
                headline=said.headline,
                link=link,
                change=told.change.value,
                site=self._site,
                notice=msgspec.to_builtins(notice),
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
