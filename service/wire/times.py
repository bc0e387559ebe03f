"""A source's own times, in the forms they come in."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial
from zoneinfo import ZoneInfo

from service.domain.model import EPOCH, Instant, from_clock, from_datetime
from service.wire.native import Misfit

Reads = Callable[[object], Instant | None]
_UNITS = {"s": 1_000_000.0, "ms": 1_000.0, "us": 1.0, "ns": 0.001}
_FIRST, _LAST = (from_datetime(EPOCH.replace(year=year)) for year in (1971, 9000))


def reader(form: str, timezone: str) -> Reads:
    """``form``: ``rfc3339``; ``s``, ``ms``, ``us`` or ``ns`` since 1970; or directives such as
    ``%d.%m.%Y %H:%M:%S``. A time without an offset goes by the clocks of ``timezone``; the hour that comes
    twice a year is then its first.

    The reader gives ``None`` for no time, and raises ``Misfit``. ``ValueError``: there is no such form.
    """
    if form == "rfc3339":
        return partial(_read, form, partial(from_clock, zone=ZoneInfo(timezone)))
    if form in _UNITS:
        return partial(_number, form, _UNITS[form])
    if "%" not in form:
        raise ValueError(f"{form!r} is no form of time: rfc3339, s, ms, us, ns or one with % directives")
    try:
        datetime.strptime(EPOCH.strftime(form), form)  # noqa: DTZ007 - only whether it can be read
    except ValueError as error:
        raise ValueError(f"{form!r} is no form of time ({error})") from None
    return partial(_read, form, partial(_by_directives, form, ZoneInfo(timezone)))


def _read(form: str, parse: Callable[[str], Instant], said: object) -> Instant | None:
    if said is None or said == "":
        return None
    try:
        return _within(parse(said if isinstance(said, str) else ""))
    except (ValueError, OverflowError):
        raise Misfit(f"{repr(said)[:80]} is no time as {form}") from None


def _number(form: str, factor: float, said: object) -> Instant | None:
    if said is None or said == "":
        return None
    try:
        return _within(_microseconds(said, factor))
    except (TypeError, ValueError, OverflowError):
        raise Misfit(f"{repr(said)[:80]} is no time in {form} since 1970") from None


def _microseconds(said: object, factor: float) -> Instant:
    """Of whole numbers exact."""
    number = said if not isinstance(said, str) else int(said) if said.isdecimal() else float(said)
    if isinstance(number, bool) or not isinstance(number, int | float):
        raise TypeError
    if isinstance(number, int):
        return number * int(factor) if factor >= 1 else number // round(1 / factor)
    return round(number * factor)


def _within(at: Instant) -> Instant:
    if not _FIRST <= at < _LAST:
        raise ValueError
    return at


def _by_directives(form: str, zone: ZoneInfo, said: str) -> Instant:
    found = datetime.strptime(said, form)  # noqa: DTZ007 - the zone is added where none was read
    return from_datetime(found if found.tzinfo else found.replace(tzinfo=zone))
