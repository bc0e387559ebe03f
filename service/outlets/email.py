"""Notices for mailboxes: one SMTP transaction for each letter, with a hard end and every refusal noticed.

Of several recipients, those who were put off get the letter later and the others not again; one who is
refused for good costs the others nothing and is named in the log.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, tzinfo
from email.message import EmailMessage

import aiosmtplib
import structlog

from service.domain.model import Change, Instant, to_datetime
from service.domain.sayings import SAYINGS, SHEETS
from service.domain.traffic import Pace, pace_for_people
from service.language import ENGLISH, Language
from service.outgoing import Shown
from service.outlets.bundle import message
from service.outlets.escape import cleaned, plain
from service.outlets.letter import Told, letter
from service.outlets.links import Key, Links
from service.outlets.mail_addresses import mail_address, mail_server
from service.outlets.mail_replies import is_for_good, mail_reason, numbers
from service.outlets.network import Destination, Way
from service.ports import Delivered, Delivery, Failed
from service.tls import client_context
from service.usecases.deliver import Telling, telling

DEADLINE = 15.0
GOODBYE = 0.5
"""Seconds of the deadline kept for QUIT; by then the letter has been accepted, so its end decides nothing."""
REMEMBERED = 5000

log = structlog.get_logger()


@dataclass(slots=True)
class _Progress:
    """Of what one letter or several told: who has it, and who was refused for good."""

    have: set[str] = field(default_factory=set)
    lost: set[str] = field(default_factory=set)


class EmailOutlet:
    """Raises ``ValueError`` when an address or ``smtp_url`` can't be used."""

    bundles = True

    def __init__(
        self,
        name: str,
        smtp_url: str,
        *,
        to: Sequence[str],
        from_: str,
        public_url: str,
        zone: tzinfo,
        deadline: float = DEADLINE,
        way: Way | None = None,
        key: Key | None = None,
        language: Language = ENGLISH,
        pace: Pace | None = None,
    ) -> None:
        if not to:
            raise ValueError("to names no recipient")
        self.name = name
        self.pace = pace or pace_for_people()
        self._server = mail_server(smtp_url)
        self._recipients = [mail_address(one, "to") for one in to]
        self._sender = mail_address(from_, "from")
        self._links = Links(public_url, name, key)
        self._zone = zone
        self._language = language
        self._deadline = deadline
        way = way or Way()
        self._trusted = client_context(way.ca_file)
        try:
            self._destination = Destination(self._server.host, self._server.port, way)
        except ValueError as error:
            raise ValueError(f"smtp_url {error}") from None
        self._everyone = frozenset(one.addr_spec for one in self._recipients)
        self._progress: dict[Told, _Progress] = {}

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        return await self.send_many([delivery], now=now)

    async def send_many(self, deliveries: Sequence[Delivery], *, now: Instant) -> Delivered | Failed:
        goodbye = min(GOODBYE, self._deadline / 10)
        smtp = self._client()
        try:
            async with asyncio.timeout(self._deadline - goodbye):
                mail = await self._letter(deliveries, now)
                smtp.sock = await self._destination.connect()
                told = [_told(telling(each, bundles=True)) for each in deliveries]
                outcome = await self._transact(smtp, mail, told)
            with contextlib.suppress(Exception):
                async with asyncio.timeout(goodbye):
                    await smtp.quit()
        except TimeoutError:
            return Failed(f"no answer from the mail server within {self._deadline:g} s", away=True)
        except Exception as error:
            return Failed(mail_reason(error), away=isinstance(error, OSError))
        finally:
            smtp.close()
        return outcome

    async def show(self, deliveries: Sequence[Delivery], *, now: Instant) -> Shown:
        """The letter that would be sent; its recipients are only counted."""
        mail = await self._letter(deliveries, now)
        headers = [(name, " ".join(str(value).split())) for name, value in mail.items()]
        count = len(self._recipients)
        to = ("To", f"{count} {'address' if count == 1 else 'addresses'}")
        text, html = (mail.get_body((kind,)) for kind in ("plain", "html"))
        return Shown(
            headers=[to if name == "To" else (name, value) for name, value in headers],
            text="" if text is None else str(text.get_content()),
            html=None if html is None else str(html.get_content()),
        )

    async def close(self) -> None:
        """Nothing stays open between letters."""

    def _client(self) -> aiosmtplib.SMTP:
        server = self._server
        return aiosmtplib.SMTP(
            hostname=server.host,
            username=server.user,
            password=server.password,
            use_tls=server.tls,
            start_tls=server.starttls,
            tls_context=self._trusted,
            timeout=self._deadline,
            local_hostname=_own_name(),
        )

    async def _letter(self, deliveries: Sequence[Delivery], now: Instant) -> EmailMessage:
        told = [telling(each, bundles=True) for each in deliveries]
        said = message(
            [replace(each, notice=cleaned(each.notice, plain)) for each in told],
            zone=self._zone,
            link=await self._links.to_all([each.notice for each in told]),
            late=any(each.attempts > 1 for each in deliveries),
            language=self._language,
        )
        return letter(
            replace(said, title=self._dated(said.title, told, now)),
            told=[_told(each) for each in told],
            outlet=self.name,
            sender=self._sender,
            recipients=self._recipients,
            date=to_datetime(now),
        )

    def _dated(self, title: str, told: Sequence[Telling], now: Instant) -> str:
        """With the moment at which the notice opened: mail stores put letters of equal subjects into one
        thread (RFC 5256, REFERENCES, step 5), and the slot will run empty again."""
        one = len(told) == 1
        if told[0].notice.kind in SAYINGS - SHEETS:
            return title
        moment = datetime.fromisoformat(told[0].notice.opened_at) if one else to_datetime(now)
        local = moment.astimezone(self._zone)
        return f"{title} ({self._language.day(local)} {self._language.clock(local)})"

    async def _transact(
        self, smtp: aiosmtplib.SMTP, mail: EmailMessage, told: Sequence[Told]
    ) -> Delivered | Failed:
        """Offer the letter to all who don't have everything in it and weren't refused for good before."""
        known = [self._progress.get(each, _Progress()) for each in told]
        have = set.intersection(*(each.have for each in known))
        await smtp.connect()
        remaining = self._everyone - have - set[str]().union(*(each.lost for each in known))
        refused = await _offer(smtp, self._sender.addr_spec, sorted(remaining), mail)
        lost = {who for who, reply in refused.items() if is_for_good(reply)}
        accepted = remaining - refused.keys()
        for each in known:
            each.have |= accepted
            each.lost |= lost
        for who, reply in refused.items():
            log.warning(
                "recipient_refused", outlet=self.name, to=who, reply=numbers(reply), final=who in lost
            )
        answers = ", ".join(sorted({numbers(reply) for reply in refused.values()}))
        if waiting := len(refused) - len(lost):
            self._keep(zip(told, known, strict=True))
            reason = f"{waiting} of {len(self._everyone)} recipients not accepted yet ({answers})"
            return Failed(reason, away=True, partly=bool(accepted))
        for one in told:
            self._progress.pop(one, None)
        if not have | accepted:
            return Failed(f"every recipient refused ({answers})", final=True)
        return Delivered()

    def _keep(self, progress: Iterable[tuple[Told, _Progress]]) -> None:
        self._progress.update(progress)
        while len(self._progress) > REMEMBERED:
            del self._progress[next(iter(self._progress))]


def _told(telling: Telling) -> Told:
    notice = telling.notice
    again = notice.reminded if telling.change is Change.REMINDED else 0
    return Told(notice.id, notice.version, again)


async def _offer(
    smtp: aiosmtplib.SMTP, sender: str, recipients: Sequence[str], mail: EmailMessage
) -> Mapping[str, aiosmtplib.SMTPResponse]:
    """Who was refused, and how; the others have the letter."""
    try:
        refused, _ = await smtp.sendmail(sender, recipients, mail.as_bytes())
    except aiosmtplib.SMTPRecipientsRefused as error:
        return {one.recipient: aiosmtplib.SMTPResponse(one.code, one.message) for one in error.recipients}
    return refused


def _own_name() -> str:
    """For EHLO. Not by asking the resolver (the library's way): where that hangs, no letter would leave."""
    name = socket.gethostname()
    return name if "." in name else "[127.0.0.1]"
