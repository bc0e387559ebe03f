"""Where a message leads: the page of its notice, with a key in it where people would have to sign in.

The key stands behind ``#``, the part of an address that browsers keep to themselves: no server, log or
referrer sees it. Without a key in time the link still leads to the page, by way of signing in.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from urllib.parse import quote

from service.domain.model import Notice, NoticeState
from service.domain.sayings import HANDOVER, SAYINGS, WEEK

Key = Callable[[str, str], str | None]
"""(notice, outlet) → the key for whoever it reaches; ``None``: none is needed. It may block and fail."""

PATIENCE = 2.0


class Links:
    """The links of one outlet."""

    def __init__(self, public_url: str, outlet: str, key: Key | None, *, patience: float = PATIENCE) -> None:
        self._public_url = public_url.rstrip("/")
        self._outlet = outlet
        self._key = key
        self._patience = patience

    async def to(self, notice: Notice) -> str | None:
        """``None`` where our own address isn't known."""
        if not self._public_url:
            return None
        key = await self.key_for(notice)
        return self.plain(notice) + (f"#key={key}" if key else "")

    async def to_all(self, notices: Sequence[Notice]) -> str | None:
        """Of one its page; of several the page of their line, or of all lines."""
        if len(notices) == 1 or not self._public_url:
            return await self.to(notices[0])
        line, *others = {each.line for each in notices}
        here = f"?line={quote(line, safe='', errors='replace')}" if line is not None and not others else ""
        return f"{self._public_url}/{here}"

    def plain(self, notice: Notice) -> str:
        """The page of the notice, or what a sheet is about; what else is no notice leads to the outlets and
        shows that links arrive."""
        here = "" if notice.line is None else f"?line={quote(notice.line, safe='', errors='replace')}"
        if notice.kind in (HANDOVER, WEEK):
            return f"{self._public_url}/{'handover' if notice.kind == HANDOVER else 'review'}{here}"
        if notice.kind in SAYINGS:
            return f"{self._public_url}/outlets"
        return f"{self._public_url}/notice/{quote(notice.id, safe='')}"

    async def key_for(self, notice: Notice) -> str | None:
        """What opens this notice to whoever the outlet reaches; ``None``: none is needed, or not in time."""
        if self._key is None or notice.state == NoticeState.CLOSED:
            return None
        try:
            async with asyncio.timeout(self._patience):
                return await asyncio.to_thread(self._key, notice.id, self._outlet)
        except Exception:
            return None
