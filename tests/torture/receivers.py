"""Receivers with moods: they write every delivery to a file before they answer, and then may answer badly,
lose the answer, or be away.

The file is the evidence; what the program believes of its deliveries isn't asked here."""

from __future__ import annotations

import email
import json
import os
import random
import re
from pathlib import Path
from typing import Any

from tests.support.ports import free_port
from tests.support.receivers import OK, Answer, Book, HttpReceiver, Mail, MailReceiver, Request

LOSES_ANSWER = 0.04
FAILS = 0.03
IS_BUSY = 0.01
LOST = Answer(drop=True)
BAD = Answer(status=500)
BUSY = Answer(status=429, headers={"retry-after": "1"})
Json = dict[str, Any]


class Evidence:
    """One JSON line for each delivery, on the disk before ``write`` returns."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("ab")

    def write(self, line: Json) -> None:
        self._file.write(json.dumps(line).encode() + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        self._file.close()


class _Filed(Book[Request]):
    def __init__(self, evidence: Evidence) -> None:
        super().__init__()
        self._evidence = evidence

    def add(self, item: Request) -> None:
        event = item.json
        data = event["data"]
        self._evidence.write(
            {
                "outlet": "hook",
                "key": item.headers["webhook-id"],
                "change": event["type"].rpartition(".")[2],
                "notice": data["id"],
                "version": data["version"],
                "state": data["state"],
                "where": f"{data['line']}/{data['station']}",
                "opened_at": data["opened_at"],
                "at": item.at,
                # A lost answer is a delivery: it was taken, only the sender can't know.
                "taken": item.answered is None or item.answered == OK.status,
            }
        )
        super().add(item)


class _FiledMail(Book[Mail]):
    def __init__(self, evidence: Evidence) -> None:
        super().__init__()
        self._evidence = evidence

    def add(self, item: Mail) -> None:
        letter = email.message_from_bytes(item.content)
        key = str(letter["Message-ID"]).strip()
        # A letter about several has an id of its own and names theirs among what it follows.
        ids = str(letter["References"]) if "bundle." in key else key
        told = [(notice, int(version)) for notice, version in re.findall(r"<(n\w+)\.v(\d+)\.", ids)]
        self._evidence.write({"outlet": "mail", "key": key, "told": told, "at": item.at, "taken": True})
        super().add(item)


class _MoodyHook(HttpReceiver):
    def __init__(self, port: int, chance: random.Random, moody: bool) -> None:
        super().__init__(port=port)
        self._chance = chance
        self.moody = moody

    def _next(self, body: bytes = b"") -> Answer:
        with self._lock:
            mood = self._chance.random() if self.moody else 1.0
        if mood < LOSES_ANSWER:
            return LOST
        if mood < LOSES_ANSWER + FAILS:
            return BAD
        return BUSY if mood < LOSES_ANSWER + FAILS + IS_BUSY else OK


class Receivers:
    """A webhook and a mail server on ports that stay theirs while they are away."""

    def __init__(self, path: Path, chance: random.Random) -> None:
        self.evidence = Evidence(path)
        self.hook_port, self.mail_port = free_port(), free_port()
        self.moody = True
        self._chance = chance
        self._requests = _Filed(self.evidence)
        self._mails = _FiledMail(self.evidence)
        self._hook: _MoodyHook | None = None
        self._mail: MailReceiver | None = None
        self.back()

    def opened(self, begin: int) -> list[Json]:
        """The events that came since ``begin``, in the order in which they came."""
        return [request.json for request in self._requests.all()[begin:]]

    def away(self, *, hook: bool = True, mail: bool = True) -> None:
        """Nobody listens on the port any more."""
        if hook and self._hook is not None:
            self._hook.stop()
            self._hook = None
        if mail and self._mail is not None:
            self._mail.stop()
            self._mail = None

    def back(self) -> None:
        if self._hook is None:
            self._hook = _MoodyHook(self.hook_port, self._chance, self.moody)
            self._hook.received = self._requests
            self._hook.start()
        if self._mail is None:
            self._mail = MailReceiver(port=self.mail_port)
            self._mail.received = self._mails
            self._mail.start()

    def calm_down(self) -> None:
        self.moody = False
        if self._hook is not None:
            self._hook.moody = False
        self.back()

    def refuse_mail(self) -> None:
        """The next letter is put off, as a server does that greylists."""
        if self._mail is not None:
            self._mail.data_replies.append("451 4.7.1 later")

    def close(self) -> None:
        self.away()
        self.evidence.close()
