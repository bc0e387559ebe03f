"""What all commands share: their options, the settings they name, how a problem is said."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from service.settings import Settings, load
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


def problem(*lines: str) -> int:
    """Say what is wrong; the exit code."""
    for line in lines:
        print(f"earlybell: {line}", file=sys.stderr)
    return 1
