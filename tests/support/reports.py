"""The report of the recorded hour, and who has it ready."""

from __future__ import annotations

from functools import cache
from typing import Any

from service.usecases.review import review
from tests.support.stood import Reviewed
from tests.support.taped import taped

Json = dict[str, Any]


@cache
def made_report() -> Json:
    return review(taped())


class Ready(Reviewed):
    """``Reviewing`` that has the recorded hour, whichever time is asked for; made when it is."""

    def ask(self, since: int, until: int, line: str | None = None) -> Any:
        if self.error is None:
            self.report = made_report()
        return super().ask(since, until, line)
