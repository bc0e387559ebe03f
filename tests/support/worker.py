"""The page's service worker in a real Chromium: it is handed what was pushed, and its buttons are pressed.

A headless browser has no push service, so a message is handed to the worker by the browser's own tools (CDP
`ServiceWorker.deliverPushMessage`), as the browser does with one it has decrypted. It shows no notification
that a hand could press either, so the press is an event in the worker, made as the browser makes it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any

from playwright.sync_api import BrowserContext, Page
from playwright.sync_api import Worker as PlaywrightWorker

from tests.support.wait import eventually

_REGISTER = (
    "() => navigator.serviceWorker.register('/sw.js').then(() => navigator.serviceWorker.ready).then(() => 1)"
)
_SHOWN = """() => self.registration.getNotifications().then((all) => all.map((each) => ({
  title: each.title, body: each.body, tag: each.tag, silent: each.silent, data: each.data,
  actions: each.actions.map(({ action, title }) => [action, title]) })))"""
# Asking what is shown while something is being shown makes Chromium forget it: so one waits for its end.
_WATCH = """() => {
  const own = ExtendableEvent.prototype.waitUntil;
  self.works = [];
  ExtendableEvent.prototype.waitUntil = function (work) {
    self.works.push(work);
    return own.call(this, work);
  };
}"""
_DONE = "(count) => self.works.length > count && Promise.allSettled(self.works).then(() => true)"
# What a script makes may not hold a worker open; this one says itself when it is done.
_PRESS = """async ({ tag, action }) => {
  const [notification] = (await self.registration.getNotifications()).filter((each) => each.tag === tag);
  class Press extends NotificationEvent { waitUntil(work) { this.work = work; } }
  const press = new Press("notificationclick", { notification, action });
  self.dispatchEvent(press);
  await press.work.catch((failure) => failure);
}"""
Json = dict[str, Any]


class Phone:
    """A device that has the worker. ``page`` is open on our address until ``pocket``."""

    def __init__(self, context: BrowserContext, address: str) -> None:
        self.address, self.context = address, context
        context.grant_permissions(["notifications"], origin=address)
        self._anchor = context.new_page()  # the browser's tools hang on a page, which isn't ours
        self._registrations: list[Json] = []
        self._cdp = context.new_cdp_session(self._anchor)
        self._cdp.on(
            "ServiceWorker.workerRegistrationUpdated",
            lambda event: self._registrations.extend(event["registrations"]),
        )
        self._cdp.send("ServiceWorker.enable")
        self.page: Page = context.new_page()
        self.page.goto(address + "/offline")
        self.page.evaluate(_REGISTER)
        eventually(lambda: self._look_up() and context.service_workers, message="no worker")
        self._worker: PlaywrightWorker = context.service_workers[0]
        self._worker.evaluate(_WATCH)

    def pocket(self) -> None:
        """No page of ours is open any more."""
        self.page.close()

    def hears(self, said: Json | str) -> None:
        """What was pushed arrives, decrypted; returns when the worker has done what it does with it."""
        text = said if isinstance(said, str) else json.dumps(said)
        number = eventually(self._look_up, message="no registration")
        before = self._worker.evaluate("self.works.length")
        self._cdp.send(
            "ServiceWorker.deliverPushMessage",
            {"origin": self.address, "registrationId": number, "data": text},
        )
        eventually(lambda: self._worker.evaluate(_DONE, before), message="the worker heard nothing")

    def clear(self) -> None:
        """Nothing is shown any more."""
        self.run(
            "() => self.registration.getNotifications().then((all) => all.forEach((each) => each.close()))"
        )
        self.until_shown(lambda all_: not all_, "still shown")

    def shows(self) -> list[Json]:
        """The notifications that stand there."""
        shown: list[Json] = self._worker.evaluate(_SHOWN)
        return shown

    def until_shown(self, hoped: Callable[[Sequence[Json]], Any], message: str = "not shown") -> list[Json]:
        found: list[list[Json]] = []

        def look() -> bool:
            found[:] = [self.shows()]
            return bool(hoped(found[0]))

        eventually(look, message=lambda: f"{message}: {found}", ignoring=(IndexError,))
        return found[0]

    def run(self, script: str, argument: object = None) -> Any:
        """What a script in the worker gives."""
        return self._worker.evaluate(script, argument)

    def press(self, action: str = "", *, tag: str) -> None:
        """A button of the notification, or the notification itself; returns when what it does is done."""
        self._worker.evaluate(_PRESS, {"tag": tag, "action": action})

    def _look_up(self) -> str | None:
        self._anchor.evaluate("1")  # events arrive while something is asked
        alive = [each for each in self._registrations if not each["isDeleted"]]
        return str(alive[-1]["registrationId"]) if alive else None
