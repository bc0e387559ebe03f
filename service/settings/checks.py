"""The checks that one value must pass on its own: addresses, topics, hours, names of time zones.

Each raises ``ValueError`` with a text that can stand behind the key's name. None of them shows the value: it
may be a secret, and whoever reports the error knows whether it may be shown.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections import Counter
from collections.abc import Callable, Collection
from datetime import date
from pathlib import Path
from urllib.parse import SplitResult, urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, SecretStr, ValidationInfo

from service.hosts import check_allowed, check_host
from service.language import NoLanguage, languages, speak

_HOURS = re.compile(r"([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d")
_DAY = 24 * 60
_EMAIL = re.compile(r"[^\s@,;<>]+@[^\s@,;<>]+")
_LOCAL_SCHEMES = frozenset({"sqlite"})
_OUTWARD_SCHEMES = frozenset({"http", "https", "smtp", "smtp+starttls", "smtps"})


def twice(names: Collection[str]) -> str:
    """Those that stand there more than once; empty where none does."""
    return ", ".join(sorted(name for name, number in Counter(names).items() if number > 1))


def check_address(*schemes: str, login: bool = False, hint: str = "") -> AfterValidator:
    """An address with one of ``schemes`` and a host; user and password in it only where ``login``."""

    def check(text: str) -> None:
        address = _split(text)
        if address.scheme not in schemes:
            raise ValueError("has another scheme")
        if address.scheme in _LOCAL_SCHEMES:
            if address.netloc or len(address.path) < 2:
                raise ValueError(
                    "names no file (three slashes before a relative path, four for an absolute one)"
                )
        elif not address.hostname:
            raise ValueError("names no host")
        if "@" in address.netloc and not login:
            raise ValueError("carries a user or password" + (f" ({hint})" if hint else ""))
        if address.scheme in _OUTWARD_SCHEMES:
            _outward(address)

    return _checked(check)


def _outward(address: SplitResult) -> None:
    """An address that others answer at: it can be read in one way only."""
    check_host(address.hostname or "")
    if address.username is not None and address.password is None:
        raise ValueError("carries a user without a password")
    if address.netloc.count("@") > 1 or "\\" in address.geturl():
        raise ValueError("can be read in two ways (in a user or password write %40 for @ and %5C for \\)")


def _split(text: str) -> SplitResult:
    if any(character.isspace() or not character.isprintable() for character in text):
        raise ValueError("holds a space or a control character")
    try:
        address = urlsplit(text)
        _ = address.port
    except ValueError:
        # The library's own text repeats parts of the value.
        raise ValueError("is not a well-formed address (look at the port and the brackets)") from None
    return address


def _checked(check: Callable[[str], None]) -> AfterValidator:
    """``check`` for plain text and for secrets alike; what isn't set needs no check."""

    def checked(value: str | SecretStr | None) -> str | SecretStr | None:
        if value is not None:
            check(value.get_secret_value() if isinstance(value, SecretStr) else value)
        return value

    return AfterValidator(checked)


def _timezone(name: str) -> None:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("is not a time zone") from None


def _root(topic: str) -> None:
    if any(mark in topic for mark in "+#\0"):
        raise ValueError("holds a wildcard")
    if topic.startswith("$") or not all(topic.split("/")):
        raise ValueError("has an empty level or begins with $")
    if len(topic.encode()) > 200:
        raise ValueError("is longer than 200 bytes")


def _hours(text: str) -> None:
    if not _HOURS.fullmatch(text):
        raise ValueError("is no span of hours")
    begin, end = text.split("-")
    if begin == end:
        raise ValueError("begins when it ends; leave the key out for the whole day")


def _days(text: str) -> None:
    first, _, last = text.partition("/")
    try:
        span = date.fromisoformat(first), date.fromisoformat(last or first)
    except ValueError:
        raise ValueError("is no day and no span of days") from None
    if span[1] < span[0]:
        raise ValueError("ends before it begins")


def _breaks(breaks: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
    start, end = info.data.get("start"), info.data.get("end")
    outside = [each for each in breaks if start and end and not _is_within(each, f"{start}-{end}")]
    if outside:
        raise ValueError(f"{', '.join(outside)} isn't within the shift ({start} to {end})")
    return breaks


def _is_within(inner: str, outer: str) -> bool:
    """Whether one span of hours lies in the other; either may pass midnight."""
    (begin, end), (first, last) = (tuple(map(_minute, span.split("-"))) for span in (inner, outer))
    return (begin - first) % _DAY + ((end - begin) % _DAY or _DAY) <= ((last - first) % _DAY or _DAY)


def _minute(wall: str) -> int:
    return int(wall[:2]) * 60 + int(wall[3:])


def _email(text: str) -> None:
    if not _EMAIL.fullmatch(text):
        raise ValueError("is no mail address")


def _signing_secret(text: str) -> None:
    """Standard Webhooks keys are base64 behind an optional ``whsec_``."""
    try:
        key = base64.b64decode(text.removeprefix("whsec_"), validate=True)
    except (binascii.Error, ValueError):
        raise ValueError("is not base64") from None
    if not key:
        raise ValueError("is empty")


def _contact(text: str) -> None:
    """RFC 8292, 2.1."""
    if text.startswith("mailto:"):
        _email(text.removeprefix("mailto:"))
    elif urlsplit(text).scheme != "https" or not urlsplit(text).hostname:
        raise ValueError("is neither mailto: with an address nor an https:// address")


def _origin(text: str) -> None:
    parts = _split(text)
    if parts.scheme not in ("http", "https") or not parts.hostname or "@" in parts.netloc:
        raise ValueError("is no http:// or https:// address")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise ValueError("has a path (leave it out: all of that host and port is meant)")
    _outward(parts)


def _file(name: str) -> None:
    try:
        with Path(name).open("rb"):
            pass
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None


def _languages(own: Path | None) -> Path | None:
    if own is None:
        return None
    if not own.is_dir():
        raise ValueError("is no directory")
    try:
        for tag in languages(own):
            speak(tag, own)
    except NoLanguage as error:
        raise ValueError(f"holds a file that can't be read ({error})") from None
    return own


def require_spoken(tag: str, own: Path | None, key: str) -> None:
    """Raises ``ValueError`` for a language that there is no catalogue for."""
    if tag not in languages(own):
        raise ValueError(f"{key}: there are no words for {tag!r} (there are: {', '.join(languages(own))})")


def _protocol(version: int) -> int:
    if version not in (3, 5):
        raise ValueError("is not spoken")
    return version


check_timezone = _checked(_timezone)
check_root = _checked(_root)
check_hours = _checked(_hours)
check_days = _checked(_days)
check_breaks = AfterValidator(_breaks)
check_email = _checked(_email)
check_signing_secret = _checked(_signing_secret)
check_contact = _checked(_contact)
check_origin = _checked(_origin)
check_file = _checked(_file)
check_network = _checked(check_allowed)
check_languages = AfterValidator(_languages)
check_protocol = AfterValidator(_protocol)


def not_a_boolean(value: object) -> object:
    """``true`` would otherwise count as 1."""
    if isinstance(value, bool):
        raise ValueError("is not a number")  # noqa: TRY004 - only ValueError reaches the report
    return value


def split_secrets(value: object) -> object:
    """One secret, several with commas or line ends between them (as a file gives them), or a list."""
    return split_commas(value.replace("\n", ",") if isinstance(value, str) else value)


def split_commas(value: object) -> object:
    """One text, as the environment gives it, or a list."""
    if isinstance(value, str):
        return [item.strip() for item in value.split(",") if item.strip()]
    return value


def split_lines(value: object) -> object:
    """One text with an item a line, as the environment or a file gives it, or a list."""
    return [line.strip() for line in value.splitlines() if line.strip()] if isinstance(value, str) else value


def one_or_many(value: object) -> object:
    """A single word where a list is meant."""
    return [value] if isinstance(value, str) else value
