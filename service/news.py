"""What goes out after a commit: forecasts and notices by the announcer, plans by the planner."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from service.pulse import Pulse
from service.report import Report
from service.telemetry import Metrics
from service.usecases.announce import Announcer
from service.usecases.batch import Ask, Committed
from service.usecases.planner import Planner
from service.usecases.show import Shown


class News:
    """``commit`` and ``tell_all`` from any thread; ``announcer`` and ``planner`` each run in one of their
    own. ``propose`` hands an event to the owner, where there is one here."""

    def __init__(
        self,
        *,
        shown: Shown,
        publish: Callable[[Iterable[tuple[str, bytes, bool]]], None],
        stream: Callable[[str, bytes], None],
        propose: Callable[[Ask], None],
        root: str,
        metrics: Metrics,
        report: Report,
        pulse: Pulse,
    ) -> None:
        self._committed: Mapping[str, bytes] = shown.committed
        self.announcer = Announcer(
            shown=shown,
            publish=publish,
            stream=stream,
            root=root,
            count=metrics.forecasts_published.inc,
            beat=pulse.beater("announcer"),
        )
        self.planner = Planner(
            shown=shown,
            propose=propose,
            publish=publish,
            stream=stream,
            root=root,
            failed=report.plan_failed,
            took=report.planned,
            beat=pulse.beater("planner"),
        )

    def commit(self, committed: Committed) -> None:
        self.announcer.commit(committed)
        self.planner.commit(committed)

    def tell_all(self) -> None:
        """Everything anew, as after a start or to a broker that may have forgotten."""
        keys = list(self._committed)
        self.announcer.tell_all(keys)
        self.planner.tell_all(keys)

    def reply_by(self, reply: Callable[[str, Sequence[tuple[str, bytes, bool]]], None]) -> None:
        """What gateways are told goes this way too, with the source that counts the station."""
        self.announcer.reply = reply

    def stop(self) -> None:
        self.announcer.stop()
        self.planner.stop()
