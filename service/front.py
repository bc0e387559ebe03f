"""What is shown of the whole site and what people do there, put together behind one web server."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from service import outside
from service.access import Door
from service.domain.model import Instant
from service.guest import Guest
from service.outgoing import Outgoing
from service.phonebook import phonebook
from service.phones import Phones
from service.pulse import Pulse
from service.reviewing import Reviewing
from service.settings import Settings
from service.sources import Sources
from service.tracing import Served
from service.usecases.announce import Announcer
from service.usecases.asks import Passing, Tray
from service.usecases.batch import Committed
from service.usecases.budget import Budget, readers
from service.usecases.desk import AskingDesk
from service.usecases.exchange import Exchanges
from service.usecases.lots import Lotbook
from service.usecases.show import Shown
from service.ways import Ways
from service.web.api import create_app
from service.web.server import Server
from service.web.stream import Hub
from service.whole import Whole


class Front:
    """``shown`` and ``budget`` are of all shards. ``threads`` are to run until ``stop``."""

    def __init__(
        self,
        settings: Settings,
        *,
        whole: Whole,
        reasons: Callable[[], list[str]],
        hub: Hub,
        door: Door,
        metrics: Callable[[], bytes],
        served: Callable[[Served], None],
        ways: Ways,
        sources: Sources,
        reviews: Reviewing,
        phones: Phones,
        passing: Passing,
        here: Callable[[], Outgoing | None],
        port: int,
        pulse: Pulse,
        clock: Callable[[], Instant],
    ) -> None:
        """``passing`` asks the one in charge of our own shard, ``here`` is its tray while that is us."""
        self.shown = Shown(
            committed=whole.committed,
            archive=whole.store.archive,
            journals=whole.journals,
            site=settings.site.name,
            reasons=reasons,
            unattended=whole.unattended,
            clock=clock if settings.site.clock == "wall" else None,
        )
        self.budget = Budget(sent=whole.store.sent, hearing=readers(settings.policy()), clock=clock)
        self.guest = Guest(settings, counted=lambda: self.shown.committed, clock=clock)
        app = create_app(
            reading=self.shown,
            desk=AskingDesk(put=whole.put, shown=self.shown),
            hub=hub,
            metrics=metrics,
            served=served,
            site=settings.site.name,
            timezone=settings.site.timezone,
            language=settings.site.language,
            languages=settings.site.languages,
            public_url=settings.web.public_url,
            door=door,
            budget=self.budget,
            labels=settings.label_patterns(),
            exchanging=Exchanges(put=whole.put, shown=self.shown),
            lots=Lotbook(lots=whole.store.lots, committed=lambda: self.shown.committed),
            reviews=reviews,
            ways=ways,
            incoming=sources,
            guest=self.guest,
            book=phonebook(settings, phones, port, clock=clock),
            tray=Tray(
                outbox=whole.store.outbox,
                passing=lambda delivery: whole.of_delivery(delivery) or passing,
                here=lambda delivery: None if whole.of_delivery(delivery) else here(),
            ),
        )
        self.server = Server(app, hub, certificate=outside.certificate(settings))
        self._hub, self._divided = hub, bool(whole.neighbours)
        self._announcer = Announcer(
            shown=self.shown,
            publish=lambda _messages: None,
            stream=hub.publish,
            root=settings.mqtt.out_root,
            beat=pulse.beater("other shards") if self._divided else lambda: None,
        )

    def tell(self, committed: Committed) -> None:
        """What another shard committed, to the pages that are open here; it publishes by itself."""
        if self._hub.listening:
            self._announcer.commit(committed)

    def threads(self) -> Iterator[tuple[str, Callable[[], None]]]:
        if self._divided:
            yield "other shards", self._announcer.run

    def stop(self) -> None:
        self._announcer.stop()
        self.guest.stop()
