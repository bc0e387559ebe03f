"""A real mail store: a Maildir that Dovecot's IMAP server reads for us, over a pipe and without a login.

Debian's package ``dovecot-imapd`` has it (``scripts/ensure-tools``). Where it isn't there, the tests that
need it are skipped.
"""

from __future__ import annotations

import email
import email.policy
import imaplib
import os
import pwd
import re
import shutil
import tempfile
from collections.abc import Sequence
from email.message import EmailMessage
from pathlib import Path
from typing import Self

import pytest

from tests.support.receivers import Mail

SERVER = Path("/usr/lib/dovecot/imap")

_CONFIG = """\
base_dir = {folder}/run
state_dir = {folder}/state
mail_location = maildir:{folder}/mail
mail_fsync = never
ssl = no
first_valid_uid = 1
stats_writer_socket_path =
{user}
"""


class MailStore:
    """What was put in is in the inbox, in that order."""

    def __init__(self) -> None:
        if not SERVER.exists():
            pytest.skip("no Dovecot here (Debian: dovecot-imapd)")
        # Not below pytest's folder: Dovecot reads no mail as root, and nobody else may enter there.
        self._folder = Path(tempfile.mkdtemp(prefix="earlybell-mail-"))
        self._imap: imaplib.IMAP4_stream | None = None

    def __enter__(self) -> Self:
        for name in ("new", "cur", "tmp"):
            (self._folder / "mail" / name).mkdir(parents=True)
        return self

    def __exit__(self, *_: object) -> None:
        if self._imap is not None:
            self._imap.logout()
        shutil.rmtree(self._folder)

    def put(self, letters: Sequence[Mail]) -> None:
        for number, letter in enumerate(letters):
            (self._folder / "mail/new" / f"{number:06}.letter").write_bytes(letter.content)
        self._open().select("INBOX")

    def threads(self) -> list[list[str]]:
        """The Message-IDs of each thread, as the server finds them by RFC 5256, REFERENCES."""
        names = {number: str(letter["Message-ID"]) for number, letter in self.letters().items()}
        _, (said,) = self._open().thread("REFERENCES", "UTF-8", "ALL")
        return [[names[int(number)] for number in re.findall(r"\d+", each)] for each in _top(said.decode())]

    def letters(self) -> dict[int, EmailMessage]:
        found: dict[int, EmailMessage] = {}
        for piece in self._open().fetch("1:*", "(BODY.PEEK[])")[1]:
            if isinstance(piece, tuple):
                letter = email.message_from_bytes(piece[1], policy=email.policy.default)
                assert isinstance(letter, EmailMessage)
                found[int(piece[0].split()[0])] = letter
        return found

    def _open(self) -> imaplib.IMAP4_stream:
        if self._imap is None:
            try:
                self._imap = imaplib.IMAP4_stream(self._command())
            except imaplib.IMAP4.abort:
                raise AssertionError(f"Dovecot ended: {(self._folder / 'log').read_text()}") from None
        return self._imap

    def _command(self) -> str:
        user = ""
        if os.getuid() == 0:
            reader = pwd.getpwnam("mail")
            user = f"mail_uid = {reader.pw_uid}\nmail_gid = {reader.pw_gid}"
            for path in (self._folder, *self._folder.rglob("*")):
                os.chown(path, reader.pw_uid, reader.pw_gid)
        config = self._folder / "dovecot.conf"
        config.write_text(_CONFIG.format(folder=self._folder, user=user))
        log = self._folder / "log"
        return f"USER=ada HOME={self._folder} {SERVER} -c {config} 2>{log}"


def _top(said: str) -> list[str]:
    """``(1)(2 (3)(4))`` → ``(1)``, ``(2 (3)(4))``."""
    found, depth, begin = [], 0, 0
    for place, sign in enumerate(said):
        depth += (sign == "(") - (sign == ")")
        if sign == ")" and depth == 0:
            found.append(said[begin : place + 1])
            begin = place + 1
    return found
