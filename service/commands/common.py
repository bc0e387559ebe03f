"""What all commands share: their options, the settings they name, how a problem is said."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from service.desk import Unfit
from service.domain.model import Instant, from_clock
from service.settings import Settings, load
from service.store import Store, open_store
from service.telemetry import LEVELS, configure_logging

Adding = Any
"""What ``add_subparsers`` gives; its class has no public name."""


def common_options() -> argparse.ArgumentParser:
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--config", type=Path, metavar="FILE", help="TOML file; defaults apply without one")
    common.add_argument("--log-level", choices=LEVELS, default="info")
    return common


def settings_of(known: argparse.Namespace) -> Settings:
    """The settings that the words name, with logging as they want it. Raises ``SettingsError``."""
    configure_logging(known.log_level)
    return load(known.config, known.environment)


def open_it(settings: Settings, *, migrate: bool) -> Store:
    """The store of these settings, as ``open_store`` opens it."""
    return open_store(settings.store.url.get_secret_value(), migrate=migrate, shard=settings.share)


def moment(text: str, timezone: str) -> Instant:
    """A time such as ``2026-03-01 03:00``, by the clocks of ``timezone`` unless it names others.
    ``ValueError`` says that it is none."""
    try:
        return from_clock(text, ZoneInfo(timezone))
    except ValueError:
        raise ValueError(f"{text!r} is no time (such as 2026-03-01 03:00)") from None


def span(known: argparse.Namespace, timezone: str) -> tuple[Instant | None, Instant | None]:
    """``--from`` and ``--to``, as ``moment`` reads them. Raises ``Unfit``."""
    return _bound("--from", known.since, timezone), _bound("--to", known.until, timezone)


def _bound(option: str, text: str | None, timezone: str) -> Instant | None:
    try:
        return None if text is None else moment(text, timezone)
    except ValueError as error:
        raise Unfit(f"{option}: {error}") from None


def to_people(text: str) -> None:
    """How it goes on, beside what is printed for others to read."""
    print(text, file=sys.stderr, flush=True)


def problem(*lines: str) -> int:
    """Say what is wrong; the exit code."""
    for line in lines:
        print(f"earlybell: {line}", file=sys.stderr)
    return 1
