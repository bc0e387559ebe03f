"""A door with people before it: cheap hashes, a clock that stands until it is told to go on."""

from __future__ import annotations

from dataclasses import dataclass, field

from argon2 import PasswordHasher

from service.access import Door, Passwords, make_account, make_token
from service.domain.access import Role
from service.domain.model import SECOND, Instant
from tests.support.keyring import MemoryKeyring

START: Instant = 1_772_431_200_000_000
PASSWORDS = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
PASSWORD = "correct horse 31"


@dataclass
class Entrance:
    """``open_here``: as on loopback. Nobody is known before ``knows`` or ``token`` says so."""

    open_here: bool = False
    now: Instant = START
    keyring: MemoryKeyring = field(default_factory=MemoryKeyring)

    def __post_init__(self) -> None:
        self.door = Door(
            keyring=self.keyring, passwords=PASSWORDS, clock=lambda: self.now, open_here=self.open_here
        )

    def knows(self, name: str, role: str, password: str = PASSWORD) -> None:
        make_account(self.keyring, PASSWORDS, name, role=Role(role), password=password, now=self.now)

    def token(self, name: str, role: str, *, days: int | None = None, others: bool = False) -> str:
        return make_token(self.keyring, name, role=Role(role), days=days, others=others, now=self.now)

    def wait(self, seconds: float) -> None:
        self.now += round(seconds * SECOND)

    def did(self) -> list[tuple[str, str, str | None, int | None]]:
        """Who did what in whose name with what answer, oldest first; without what the command line did."""
        deeds = [row.deed for row in reversed(self.keyring.deeds(limit=1000, after=None))]
        return [(each.who, each.did, each.by, each.answer) for each in deeds if each.kind != "terminal"]
