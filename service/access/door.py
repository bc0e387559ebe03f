"""Who asks: a session, a token or a link becomes a ``Caller``, and a name with a password becomes a session.

A wrong secret, an ended one, an expired one and one of nobody get the same answer. What was found is
remembered for two seconds; while the store is away, whoever it knew lately may go on for a while.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from contextlib import suppress
from threading import Lock
from typing import Any

from service.access import keys
from service.access.allowances import (
    SIGN_IN_ADDRESS,
    SIGN_IN_HERE,
    SIGN_IN_NAME,
    WRONG_KEY,
    Allowances,
    TooMany,
)
from service.access.passwords import Passwords
from service.domain.access import (
    EMERGENCY,
    LINK_LASTS,
    SIGNED_IN,
    Account,
    Allowance,
    Caller,
    Deed,
    Link,
    Role,
    Session,
    Token,
    holds_link,
    holds_session,
    holds_token,
)
from service.domain.model import SECOND, Instant
from service.keyring import DeedRow, Keyring
from service.ports import StoreError

__all__ = ["Door", "SignInRefused", "TooMany"]

FRESH = 2 * SECOND
LATELY = 300 * SECOND
SPARED = 2 * SECOND
"""A store that couldn't be asked is spared for so long where an answer is remembered: each question may hang
for seconds."""
TOUCH_EVERY = 300 * SECOND
_REMEMBERED = 5_000


class SignInRefused(Exception):
    """Name and password don't belong together, or nobody has that name: we don't say which."""


class Door:
    """Safe from any thread. ``open_here``: without any account or token everybody may do everything, as on
    the machine itself. ``alarm`` logs what people should see."""

    def __init__(
        self,
        *,
        keyring: Keyring,
        passwords: Passwords,
        clock: Callable[[], Instant],
        open_here: bool,
        alarm: Callable[..., Any] = lambda *_, **__: None,
    ) -> None:
        self._keyring = keyring
        self._passwords = passwords
        self._clock = clock
        self._open_here = open_here
        self._looked_at: Instant | None = None
        self._spared_until: Instant = 0
        self._allowances = Allowances(clock)
        self._found: OrderedDict[bytes, tuple[Caller, Instant]] = OrderedDict()
        self._given: OrderedDict[tuple[str, str], str] = OrderedDict()
        self._lock = Lock()
        self._alarm = alarm
        self._alarmed: set[str] = set()

    def known_open(self) -> bool | None:
        """What ``is_open`` says without a look into the store; ``None``: it needs one."""
        if not self._open_here:
            return False
        is_fresh = self._looked_at is not None and abs(self._clock() - self._looked_at) < SECOND
        return True if is_fresh else None

    def is_open(self) -> bool:
        """Whether nobody needs to say who they are. Once there was an account or a token: never again."""
        if self.known_open() is None:
            try:
                self._open_here = not self._keyring.is_used()
                self._looked_at = self._clock()
            except StoreError:
                if self._looked_at is None:
                    raise
        return self._open_here

    def sign_in(self, name: str, password: str, *, address: str) -> str:
        """A new session's secret. Raises ``SignInRefused``, ``TooMany``."""
        key = keys.name_key(name)[:256]
        self.spend(("address", address), SIGN_IN_ADDRESS)
        self.spend(("here", key, address), SIGN_IN_HERE)
        self.spend(("name", key), SIGN_IN_NAME)
        account = self._keyring.account(key)
        if account is not None and account.ended_at is not None:
            account = None
        fits = self._passwords.fits(password, None if account is None else account.password)
        if account is None or not fits:
            self._note_sign_in(name[:64], "nobody", 401, address, self._clock())
            raise SignInRefused
        now = self._clock()  # one moment for both: by it the audit knows where a session came from
        secret = self._open_session(account, now)
        self._note_sign_in(account.name, "account", 200, address, now)
        return secret

    def sign_out(self, secret: str) -> None:
        """The session ends now, in every place that looks it up."""
        known = keys.digest(secret)
        self._keyring.end_session(known)
        with self._lock:
            self._found.pop(known, None)

    def by_session(self, secret: str, *, address: str) -> Caller | None:
        """The account behind a session's secret."""
        return self._known(secret, "", self._session, address)

    def by_bearer(self, secret: str, *, address: str) -> Caller | None:
        """The token or the link behind a secret."""
        if secret.startswith(keys.LINK_BEGINS):
            return self._known(secret, keys.LINK_BEGINS, self._link, address)
        caller = self._known(secret, keys.TOKEN_BEGINS, self._token, address)
        if caller is not None and caller.name.startswith(EMERGENCY):
            self._raise_alarm(caller.name, address)
        return caller

    def still(self, secret: str | None, caller: Caller | None) -> bool:
        """Whether who was let in would be let in now; a store that is away ends nothing."""
        if self._clock() < self._spared_until:
            return True
        try:
            if secret is None or caller is None:
                return self.is_open()
            find = {"account": self._session, "token": self._token, "link": self._link}[caller.kind]
            known, now = keys.digest(secret), self._clock()
            found = find(known, now)
        except StoreError:
            self._spare()
            return True
        self._remember(known, found, now)
        return found is not None

    def link_key(self, notice: str, outlet: str) -> str | None:
        """A secret that opens this one notice to whoever the outlet reaches; ``None``: nobody needs one.

        The messages about one notice carry the same while it holds for long enough. May raise ``StoreError``.
        """
        if self.is_open():
            return None
        with self._lock:
            given = self._given.get((notice, outlet))
        if given is not None and self._holds_on(given):
            return given
        secret = self._make_link(notice, outlet)
        with self._lock:
            self._given[notice, outlet] = secret
            if len(self._given) > _REMEMBERED:
                self._given.popitem(last=False)
        return secret

    def _holds_on(self, secret: str) -> bool:
        link = self._keyring.link(keys.digest(secret))
        return link is not None and holds_link(link, self._clock() + LINK_LASTS // 2)

    def _make_link(self, notice: str, outlet: str) -> str:
        secret, now = keys.make(keys.LINK_BEGINS), self._clock()
        self._keyring.add_link(
            Link(
                digest=keys.digest(secret),
                notice=notice,
                outlet=outlet,
                created_at=now,
                expires_at=now + LINK_LASTS,
            )
        )
        return secret

    def spend(self, key: Hashable, allowance: Allowance) -> None:
        """Raises ``TooMany``."""
        self._allowances.spend(key, allowance)

    def note(self, deed: Deed) -> None:
        """Keep who did what; a store that is away loses the note, not the deed."""
        with suppress(StoreError):
            self._keyring.note(deed)

    def known(self) -> tuple[Sequence[Account], Sequence[Token]]:
        """All accounts and tokens, ended ones too."""
        return self._keyring.accounts(), self._keyring.tokens()

    def sessions(self) -> Sequence[Session]:
        """Those that still hold, the last used first."""
        now = self._clock()
        return [each for each in self._keyring.sessions() if holds_session(each, now)]

    def end_sessions(self, wanted: Sequence[Session]) -> None:
        """They open nothing from now on."""
        for each in wanted:
            self._keyring.end_session(each.digest)
            with self._lock:
                self._found.pop(each.digest, None)

    def deeds(self, *, limit: int, after: int | None) -> Sequence[DeedRow]:
        """Newest first, beginning behind the row ``after``."""
        return self._keyring.deeds(limit=limit, after=after)

    def now(self) -> Instant:
        return self._clock()

    def _open_session(self, account: Account, now: Instant) -> str:
        secret = keys.make()
        self._keyring.open_session(
            Session(
                digest=keys.digest(secret),
                account=account.key,
                name=account.name,
                role=account.role,
                created_at=now,
                used_at=now,
            )
        )
        return secret

    def _note_sign_in(self, who: str, kind: str, answer: int, address: str, at: Instant) -> None:
        self.note(Deed(at=at, who=who, kind=kind, did=SIGNED_IN, answer=answer, address=address))

    def _raise_alarm(self, name: str, address: str) -> None:
        """Once for each such token: it is to be seen wherever people look."""
        with self._lock:
            if name in self._alarmed:
                return
            self._alarmed.add(name)
        self._alarm("emergency_access_used", token=name, address=address)
        self.note(Deed(at=self._clock(), who=name, kind="token", did="first use", address=address[:64]))

    def _known(
        self, secret: str, prefix: str, find: Callable[[bytes, Instant], Caller | None], address: str
    ) -> Caller | None:
        now, known = self._clock(), keys.digest(secret)
        remembered = self._found.get(known)
        holds = LATELY if now < self._spared_until else FRESH
        if remembered is not None and 0 <= now - remembered[1] < holds:
            return remembered[0]
        if not keys.is_made_here(secret, prefix):
            self.spend(("wrong", address), WRONG_KEY)
            return None
        try:
            caller = find(known, now)
        except StoreError:
            self._spare()
            if remembered is not None and 0 <= now - remembered[1] < LATELY:
                return remembered[0]
            raise
        if caller is None:
            self.spend(("wrong", address), WRONG_KEY)
        self._remember(known, caller, now)
        return caller

    def _spare(self) -> None:
        self._spared_until = self._clock() + SPARED

    def _remember(self, known: bytes, caller: Caller | None, now: Instant) -> None:
        with self._lock:
            self._found.pop(known, None)
            if caller is not None:
                self._found[known] = (caller, now)
            if len(self._found) > _REMEMBERED:
                self._found.popitem(last=False)

    def _session(self, known: bytes, now: Instant) -> Caller | None:
        session = self._keyring.session(known)
        if session is None or not holds_session(session, now):
            return None
        self._touch(known, session.used_at, now)
        return Caller(kind="account", id=f"account {session.account}", name=session.name, role=session.role)

    def _token(self, known: bytes, now: Instant) -> Caller | None:
        token = self._keyring.token(known)
        if token is None or not holds_token(token, now):
            return None
        self._touch(known, token.used_at, now)
        whose = token.program
        return Caller(kind="token", id=f"token {whose}", name=whose, role=token.role, others=token.others)

    def _link(self, known: bytes, now: Instant) -> Caller | None:
        link = self._keyring.link(known)
        if link is None or not holds_link(link, now):
            return None
        # Anyone whom the outlet reaches holds it, so it says a name but proves none.
        return Caller(
            kind="link",
            id=f"link {known.hex()}",
            name=f"link to {link.outlet}",
            role=Role.ACT,
            others=True,
            notice=link.notice,
        )

    def _touch(self, known: bytes, used_at: Instant | None, now: Instant) -> None:
        if used_at is None or now - used_at >= TOUCH_EVERY:
            with suppress(StoreError):
                self._keyring.touch(known, at=now)
