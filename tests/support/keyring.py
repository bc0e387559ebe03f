"""A keyring in memory, for tests of what stands on one. It passes the contract suite like the stores."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from service.domain.access import OLD, SIGNED_IN, Account, Deed, Link, Session, Token
from service.domain.model import Instant
from service.keyring import DeedRow


@dataclass
class MemoryKeyring:
    """``broken`` is raised by every call while it is set; ``asked`` counts the calls."""

    broken: Exception | None = None
    asked: int = 0
    _accounts: dict[str, Account] = field(default_factory=dict)
    _tokens: dict[str, Token] = field(default_factory=dict)
    _sessions: dict[bytes, Session] = field(default_factory=dict)
    _links: dict[bytes, Link] = field(default_factory=dict)
    _deeds: list[DeedRow] = field(default_factory=list)

    def is_used(self) -> bool:
        self._may_fail()
        return bool(self._accounts or self._tokens)

    def accounts(self) -> Sequence[Account]:
        self._may_fail()
        return [self._accounts[key] for key in sorted(self._accounts)]

    def account(self, key: str) -> Account | None:
        self._may_fail()
        return self._accounts.get(key)

    def save_account(self, account: Account) -> None:
        self._may_fail()
        self._accounts[account.key] = account
        self._sessions = {key: one for key, one in self._sessions.items() if one.account != account.key}

    def tokens(self) -> Sequence[Token]:
        self._may_fail()
        return [self._tokens[name] for name in sorted(self._tokens)]

    def token(self, digest: bytes) -> Token | None:
        self._may_fail()
        return next((token for token in self._tokens.values() if token.digest == digest), None)

    def add_token(self, token: Token) -> bool:
        self._may_fail()
        there = self._tokens.get(token.name)
        if there is not None and there.ended_at is None:
            return there.digest == token.digest
        self._tokens[token.name] = token
        return True

    def end_token(self, name: str, *, at: Instant) -> bool:
        self._may_fail()
        there = self._tokens.get(name)
        if there is None or there.ended_at is not None:
            return False
        self._tokens[name] = replace(there, ended_at=at)
        return True

    def rotate_token(self, token: Token, *, until: Instant) -> bool:
        self._may_fail()
        there = self._tokens.get(token.name)
        if there is None or there.ended_at is not None:
            return False
        if there.digest == token.digest:
            return True
        ends = until if there.expires_at is None else min(until, there.expires_at)
        former = token.name + OLD
        self._tokens[former] = replace(there, name=former, expires_at=ends)
        self._tokens[token.name] = token
        return True

    def open_session(self, session: Session) -> None:
        self._may_fail()
        self._sessions[session.digest] = session

    def session(self, digest: bytes) -> Session | None:
        self._may_fail()
        found = self._sessions.get(digest)
        account = None if found is None else self._accounts.get(found.account)
        if found is None or account is None or account.ended_at is not None:
            return None
        return replace(found, name=account.name, role=account.role)

    def sessions(self) -> Sequence[Session]:
        self._may_fail()
        alive = (self.session(each) for each in self._sessions)
        shown = [replace(each, address=self._address(each)) for each in alive if each is not None]
        return sorted(shown, key=lambda each: (-each.used_at, each.digest))

    def _address(self, session: Session) -> str | None:
        deeds = (row.deed for row in self._deeds)
        signed = (session.created_at, SIGNED_IN, session.name)
        return next((each.address for each in deeds if (each.at, each.did, each.who) == signed), None)

    def end_session(self, digest: bytes) -> None:
        self._may_fail()
        self._sessions.pop(digest, None)

    def touch(self, digest: bytes, *, at: Instant) -> None:
        self._may_fail()
        if digest in self._sessions:
            self._sessions[digest] = replace(self._sessions[digest], used_at=at)
        for name, token in self._tokens.items():
            if token.digest == digest:
                self._tokens[name] = replace(token, used_at=at)

    def add_link(self, link: Link) -> None:
        self._may_fail()
        self._links[link.digest] = link

    def link(self, digest: bytes) -> Link | None:
        self._may_fail()
        return self._links.get(digest)

    def end_links(self, notice: str, *, at: Instant) -> int:
        self._may_fail()
        alive = [one for one in self._links.values() if one.notice == notice and one.ended_at is None]
        for one in alive:
            self._links[one.digest] = replace(one, ended_at=at)
        return len(alive)

    def note(self, deed: Deed) -> None:
        self._may_fail()
        self._deeds.append(DeedRow(id=len(self._deeds) + 1, deed=deed))

    def deeds(self, *, limit: int, after: int | None) -> Sequence[DeedRow]:
        self._may_fail()
        return [row for row in reversed(self._deeds) if after is None or row.id < after][:limit]

    def forget(self, *, before: Instant) -> int:
        self._may_fail()
        old = [row for row in self._deeds if row.deed.at < before]
        sessions = [key for key, one in self._sessions.items() if one.used_at < before]
        links = [key for key, one in self._links.items() if one.expires_at < before]
        self._deeds = [row for row in self._deeds if row not in old]
        for key in sessions:
            del self._sessions[key]
        for key in links:
            del self._links[key]
        return len(old) + len(sessions) + len(links)

    def _may_fail(self) -> None:
        self.asked += 1
        if self.broken is not None:
            raise self.broken
