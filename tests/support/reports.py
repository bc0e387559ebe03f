"""The report of the recorded hour, and who has it ready."""

from __future__ import annotations

from functools import cache
from typing import Any

from service.usecases.review import review
from tests.support.taped import taped

Json = dict[str, Any]
PDF = b"%PDF-1.7 made up"


@cache
def made_report() -> Json:
    return review(taped())
