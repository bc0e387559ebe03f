"""A scanner that plays keyboard: its strokes come all in one moment, however busy the machine is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from playwright.sync_api import Page

Stroke = str | Mapping[str, object]
"""A key's name, or what its event says."""
CTRL = {"ctrlKey": True}
GS = {"key": "]", "code": "BracketRight", **CTRL}
RS = {"key": "^", "code": "Digit6", **CTRL}
EOT = {"key": "d", "code": "KeyD", **CTRL}
_KEYS = """(strokes) => {
  const target = document.activeElement;
  for (const stroke of strokes) {
    const keys = typeof stroke === "string" ? { key: stroke } : stroke;
    const init = { bubbles: true, cancelable: true, ...keys };
    target.dispatchEvent(new KeyboardEvent(stroke.up ? "keyup" : "keydown", init));
  }
}"""


def strike(page: Page, strokes: Sequence[Stroke]) -> None:
    """On whatever has the focus."""
    page.evaluate(_KEYS, list(strokes))
