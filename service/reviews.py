"""Reviews of the journal, made in a process of their own: neither the loop of the web server nor the hot path
waits for one.

One is made at a time, at low priority and within a limit; a few may wait. Times that were reviewed lately
are kept, packed, within bounds. The process is told where the store is through a pipe, and ends when that
closes: nobody is left behind.
"""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
import threading
import zlib
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import msgspec

from service.desk import Unfit
from service.domain.model import Instant
from service.domain.shards import Shard
from service.language import Language, speak
from service.paper.pdf import NoPdf, pdf
from service.ports import StoreError, StoreRevisionError
from service.reviewing import NothingToReview, NotReviewed, Progress, TooManyReviews
from service.store import open_all, open_store
from service.usecases.export import export
from service.usecases.review import NothingThere, review

Json = dict[str, Any]
Key = tuple[Instant, Instant, str | None, str]
"""Of which time and line, and in which language it is on paper; ``""``: the report itself."""
LIMIT_SECONDS = 900.0
MOST_WAITING = 8
MOST_KEPT = 32 * 1024 * 1024
"""Bytes of packed reports; one of a shift of four lines has some 50 KB."""
PRIORITY = 10


@dataclass(slots=True, eq=False)
class _Job:
    key: Key
    task: Json
    entries: int = 0
    report: bytes | None = None
    problem: str | None = None
    empty: bool = False
    over: threading.Event = field(default_factory=threading.Event)


class Reviews:
    """``url`` is the store's, ``site`` its name; where the floor is divided they are of all shards (of which
    ``shard`` is ours) unless it is to be ours ``alone``. ``stop`` ends what is under way."""

    def __init__(
        self,
        url: str,
        site: str,
        *,
        shard: Shard | None = None,
        alone: bool = False,
        limit: float = LIMIT_SECONDS,
        most_kept: int = MOST_KEPT,
    ) -> None:
        self._whose: Json = {"url": url, "site": site, "alone": alone}
        self._whose["shard"] = None if shard is None else [shard.name, shard.lines]
        self._limit, self._most_kept = limit, most_kept
        self._lock = threading.Condition()
        self._waiting: deque[_Job] = deque()
        self._known: dict[Key, _Job] = {}
        """Those that wait, the one under way, and failures nobody has heard of."""
        self._kept: OrderedDict[Key, bytes] = OrderedDict()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._stopped = False

    def ask(self, since: Instant, until: Instant, line: str | None = None) -> Progress | Json:
        """The report where it is there, else how far it is; never waits. ``NotReviewed``: it failed; asked
        again it is tried again."""
        key = since, until, line, ""
        with self._lock:
            found = self._find(key)
            if found is None:
                job = self._begin(key, self._task(since, until, line))
                return Progress(job.entries, self._before(job))
        return _unpacked(found)

    def make(self, since: Instant, until: Instant, line: str | None = None) -> Json:
        """The report. Waits for it. Raises ``NotReviewed``."""
        return _unpacked(self._wait((since, until, line, ""), self._task(since, until, line)))

    def paper(self, since: Instant, until: Instant, line: str | None, language: Language) -> bytes:
        """The report as PDF. Waits for both. Raises ``NotReviewed``."""
        report = self.make(since, until, line)
        own = None if language.own is None else str(language.own)
        task = {"paper": language.tag, "languages": own, "report": report}
        return zlib.decompress(self._wait((since, until, line, language.tag), task))

    def stop(self) -> None:
        with self._lock:
            self._stopped = True
            if self._process is not None:
                self._process.kill()
            for each in self._waiting:
                each.problem = "the program stops"
                each.over.set()
            self._waiting.clear()
            self._lock.notify_all()

    def _task(self, since: Instant, until: Instant, line: str | None) -> Json:
        return self._whose | {"since": since, "until": until, "line": line}

    def _wait(self, key: Key, task: Json) -> bytes:
        with self._lock:
            found = self._find(key)
            if found is not None:
                return found
            job = self._begin(key, task)
        job.over.wait()
        if job.report is None:
            with self._lock:
                self._forget(job)
            raise _why(job)
        return job.report

    def _find(self, key: Key) -> bytes | None:
        """What is kept; raises what failed, once."""
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        job = self._known.get(key)
        if job is not None and job.problem is not None:
            self._forget(job)
            raise _why(job)
        return None

    def _begin(self, key: Key, task: Json) -> _Job:
        if key in self._known:
            return self._known[key]
        if self._stopped:
            raise NotReviewed("the program stops")
        if len(self._waiting) >= MOST_WAITING:
            raise TooManyReviews("too many times wait to be reviewed; ask again in a minute")
        job = self._known[key] = _Job(key, task)
        self._waiting.append(job)
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="reviews", daemon=True)
            self._thread.start()
        self._lock.notify_all()
        return job

    def _before(self, job: _Job) -> int:
        """How many come first, the one under way among them."""
        if job not in self._waiting:
            return 0
        under_way = sum(each.problem is None for each in self._known.values()) - len(self._waiting)
        return under_way + self._waiting.index(job)

    def _run(self) -> None:
        while (job := self._next()) is not None:
            try:
                self._make(job)
            except OSError as error:
                job.problem = str(error)
            self._end(job)

    def _next(self) -> _Job | None:
        with self._lock:
            while not self._waiting and not self._stopped:
                self._lock.wait()
            return None if self._stopped else self._waiting.popleft()

    def _end(self, job: _Job) -> None:
        with self._lock:
            self._process = None
            if job.report is None:
                job.problem = job.problem or "the process that reviewed it ended before its end"
                self._forget_failures()
            else:
                self._forget(job)
                self._keep(job.key, job.report)
        job.over.set()

    def _keep(self, key: Key, report: bytes) -> None:
        self._kept[key] = report
        while len(self._kept) > 1 and sum(map(len, self._kept.values())) > self._most_kept:
            self._kept.popitem(last=False)

    def _forget(self, job: _Job) -> None:
        """Another of the same time may have begun since."""
        if self._known.get(job.key) is job:
            del self._known[job.key]

    def _forget_failures(self) -> None:
        """Of those that nobody asked for again only a few are remembered."""
        failed = [key for key, each in self._known.items() if each.problem is not None]
        for key in failed[:-MOST_WAITING]:
            del self._known[key]

    def _make(self, job: _Job) -> None:
        with self._lock:
            if self._stopped:
                return
            process = self._process = _start()
        late = threading.Timer(self._limit, self._too_long, (job, process))
        late.daemon = True
        late.start()
        with process:
            try:
                _write(process.stdin, job.task)
                for said in process.stdout or ():
                    _hear(job, said)
            finally:
                late.cancel()
                process.kill()

    def _too_long(self, job: _Job, process: subprocess.Popen[bytes]) -> None:
        job.problem = f"took longer than {self._limit:.0f} seconds: ask for a shorter time"
        process.kill()


def _start() -> subprocess.Popen[bytes]:
    """Another interpreter instead of a fork: forks of a program with threads may hang."""
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "service.reviews"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )


def _write(pipe: IO[bytes] | None, task: Json) -> None:
    if pipe is not None:
        pipe.write(json.dumps(task).encode() + b"\n")
        pipe.flush()


def _hear(job: _Job, said: bytes) -> None:
    """One line from the process: a number of entries, what is wrong, or what was made. A process that was
    ended may leave the beginning of one."""
    if not said.endswith(b"\n"):
        return
    kind, _, rest = said.rstrip(b"\n").partition(b" ")
    if kind == b"read":
        job.entries = int(rest)
    elif kind in (b"wrong", b"nothing"):
        job.problem, job.empty = json.loads(rest), kind == b"nothing"
    elif kind == b"report" and job.problem is None:
        job.report = zlib.compress(rest, 6)
    elif kind == b"paper" and job.problem is None:
        job.report = zlib.compress(base64.b64decode(rest), 1)


def _why(job: _Job) -> NotReviewed:
    return (NothingToReview if job.empty else NotReviewed)(job.problem)


def _unpacked(report: bytes) -> Json:
    found: Json = msgspec.json.decode(zlib.decompress(report))
    return found


# In the process


def _work() -> None:
    os.nice(PRIORITY)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever else is printed isn't taken for an answer
    task = json.loads(sys.stdin.buffer.readline())
    threading.Thread(target=_end_with_parent, daemon=True).start()

    def say(kind: bytes, what: bytes) -> None:
        out.write(kind + b" " + what + b"\n")
        out.flush()

    try:
        made = _made(task, lambda read: say(b"read", str(read).encode()))
    except NothingThere as nothing:
        say(b"nothing", json.dumps(str(nothing)).encode())
    except (NoPdf, StoreError, StoreRevisionError, Unfit) as problem:
        say(b"wrong", json.dumps(str(problem)).encode())
    except Exception as defect:  # whoever asked must hear of it; the store's address is in none of them
        say(b"wrong", json.dumps(f"{type(defect).__name__}: {defect}").encode())
    else:
        say(*made)


def _made(task: Json, progress: Callable[[int], None]) -> tuple[bytes, bytes]:
    if "paper" not in task:
        shard = None if task["shard"] is None else Shard(task["shard"][0], tuple(task["shard"][1]))
        return b"report", msgspec.json.encode(reviewed(**task | {"shard": shard}, progress=progress))
    own = None if task["languages"] is None else Path(task["languages"])
    return b"paper", base64.b64encode(pdf(task["report"], speak(task["paper"], own)))


def reviewed(
    *,
    url: str,
    site: str,
    since: Instant | None,
    until: Instant | None,
    line: str | None,
    progress: Callable[[int], None],
    shard: Shard | None = None,
    alone: bool = False,
) -> Json:
    """Of what the store has kept, or the stores of all shards, made here and now. Raises ``NothingThere``,
    ``StoreError``, ``Unfit``."""
    stores = [open_store(url, migrate=False, shard=shard)] if alone else open_all(url, shard=shard)
    try:
        archive, *beside = (store.archive for store in stores)
        lines = export(archive, site, since=since, until=until, beside=beside)
        return review(lines, since=since, until=until, line=line, progress=progress)
    finally:
        for store in stores:
            store.close()


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os._exit(1)


if __name__ == "__main__":
    _work()
    os._exit(0)  # the thread that waits for the parent would hold up the end
