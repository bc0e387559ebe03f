"""Settings as TOML text, a line at a time, each with the doubt that hangs on it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence

LONGEST_DOUBT = 160
_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


def pair(key: str, value: object, doubt: str = "") -> str:
    """``key = value``, and behind it what makes it a guess."""
    return f"{key} = {written(value)}" + (f"  # doubt: {plain(doubt)}" if doubt else "")


def remark(text: str) -> str:
    return f"# {plain(text)}"


def written(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(_clean(value), ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        inside = ", ".join(f"{_key(str(key))} = {written(each)}" for key, each in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, Sequence):
        return f"[{', '.join(map(written, value))}]"
    return str(value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else written(key)


def plain(text: str) -> str:
    """On one line whatever it holds: what was heard may be anything."""
    shown = "".join(each if each.isprintable() else "?" for each in _clean(text))
    return shown if len(shown) <= LONGEST_DOUBT else shown[: LONGEST_DOUBT - 1] + "…"


def _clean(text: str) -> str:
    return text.encode("utf-8", "replace").decode()
