"""Phones as people see them: which outlets one may hear, this phone and one's others, trying one out.

A test goes through an outlet built for it alone, as that of every other outlet does (``ways``).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from service import outside
from service.domain.model import SECOND, Instant
from service.outgoing import Tested
from service.outlets.push import PushOutlet
from service.outlets.sealed import Signing, check_keys, signing_by
from service.phones import Phone, Phones, check_endpoint, origin_of
from service.ports import Delivered, Failed
from service.settings import Settings
from service.usecases.rehearse import PATIENCE, trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """``phones.Phonebook``. ``services``: each outlet for phones, with the push services that its
    configuration names; ``make`` builds one."""

    phones: Phones
    services: Mapping[str, Collection[str]]
    signing: Signing
    make: Callable[[str], PushOutlet]
    site: str
    clock: Callable[[], Instant]

    def outlets(self) -> Mapping[str, int]:
        counts = self.phones.counts()
        return {name: counts.get(name, 0) for name in self.services}

    def public_key(self) -> str:
        return self.signing().public

    def of(self, *, person: str | None, device: str | None) -> Sequence[Phone]:
        here = [] if device is None else list(self.phones.device(device))
        others = [] if person is None else self.phones.of_person(person)
        return here + [each for each in others if each.device != device]

    def subscribe(self, phone: Phone, *, instead_of: str | None = None) -> None:
        named = {origin_of(each) for each in self.services[phone.outlet]}
        try:
            check_endpoint(phone.endpoint, named)
        except ValueError as error:
            raise ValueError(f"endpoint {error}") from None
        check_keys(phone.p256dh, phone.auth)
        self.phones.add(phone)
        if instead_of not in (None, phone.device):
            self.phones.end(str(instead_of), phone.outlet)

    def end(self, device: str, outlet: str | None = None) -> int:
        return self.phones.end(device, outlet)

    async def test(self, phone: Phone, *, by: str) -> Tested:
        began = self.clock()
        outcome = await self._send_test(phone, by)
        return Tested(
            outlet=phone.outlet,
            delivered=isinstance(outcome, Delivered),
            reason=outcome.reason if isinstance(outcome, Failed) else None,
            seconds=max(0, self.clock() - began) / SECOND,
        )

    async def _send_test(self, phone: Phone, by: str) -> Delivered | Failed:
        outlet = await asyncio.to_thread(self.make, phone.outlet)
        try:
            async with asyncio.timeout(PATIENCE):
                delivery = trial(phone.outlet, site=self.site, by=by, at=self.clock())
                return await outlet.send_to(phone, delivery, now=self.clock())
        except TimeoutError:
            return Failed(f"no end within {PATIENCE:g} s")
        finally:
            await outlet.close()


def phonebook(settings: Settings, phones: Phones, port: int, *, clock: Callable[[], Instant]) -> Book:
    """The phones of the outlets that the settings name. Where there are any the signing key is made now: to
    be asked for it changes nothing then. Raises ``StoreError``."""
    services = {each.name: each.services for each in settings.outlets if each.type == "push"}
    signing = signing_by(phones, "")
    if services:
        signing()
    return Book(
        phones=phones,
        services=services,
        signing=signing,
        make=lambda name: cast(PushOutlet, outside.outlet(settings, name, port, phones=phones)),
        site=settings.site.name,
        clock=clock,
    )
