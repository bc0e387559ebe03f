"""Where accounts, tokens, sessions, links and the audit are kept: the port, with its contract in prose.

Secrets never come here, only their hashes. Implementations pass ``tests/contract/test_keyring.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from service.domain.access import Account, Deed, Link, Session, Token
from service.domain.model import Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class DeedRow:
    """A deed as it is kept, with its number."""

    id: int
    deed: Deed


class Keyring(Protocol):
    """Safe from any thread and any process. Every call may raise ``StoreError``.

    An ended account or token is remembered: once there was one, the door is never open to all again.
    """

    def is_used(self) -> bool:
        """Whether an account or token was ever made."""
        ...

    def accounts(self) -> Sequence[Account]:
        """All, ended ones too, by key."""
        ...

    def account(self, key: str) -> Account | None: ...

    def save_account(self, account: Account) -> None:
        """Make it, or replace the one of the same key; every session of that one ends."""
        ...

    def tokens(self) -> Sequence[Token]:
        """All, ended ones too, by name."""
        ...

    def token(self, digest: bytes) -> Token | None: ...

    def add_token(self, token: Token) -> bool:
        """``False``, and nothing kept, when one of this name hasn't ended; an ended one is replaced."""
        ...

    def end_token(self, name: str, *, at: Instant) -> bool:
        """``False`` when none of this name is alive."""
        ...

    def rotate_token(self, token: Token, *, until: Instant) -> bool:
        """Give the living token of this name another secret; the one before goes on as ``name + OLD``, to
        ``until`` at the longest, and one that was called so before is gone. ``False``, and nothing kept, when
        none of this name is alive."""
        ...

    def open_session(self, session: Session) -> None: ...

    def session(self, digest: bytes) -> Session | None:
        """With name and role of its account as they are now; ``None`` when that has ended, too."""
        ...

    def sessions(self) -> Sequence[Session]:
        """All of accounts that haven't ended, the last used first; with the address that the audit has of the
        sign-in of that account at that moment."""
        ...

    def end_session(self, digest: bytes) -> None:
        """Nothing happens when it has ended before."""
        ...

    def touch(self, digest: bytes, *, at: Instant) -> None:
        """The token or session was used."""
        ...

    def add_link(self, link: Link) -> None: ...

    def link(self, digest: bytes) -> Link | None: ...

    def end_links(self, notice: str, *, at: Instant) -> int:
        """End all that open this notice; how many did."""
        ...

    def note(self, deed: Deed) -> None:
        """Keep a deed; the oldest go when there are more than 100,000."""
        ...

    def deeds(self, *, limit: int, after: int | None) -> Sequence[DeedRow]:
        """Newest first, beginning behind the row ``after``."""
        ...

    def forget(self, *, before: Instant) -> int:
        """Forget deeds, sessions last used and links expired before then; rows deleted."""
        ...
