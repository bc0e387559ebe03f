"""The words of machines for what is lit, loaded, running or reachable, in ours.

Ours, and what every rule understands of itself, needs no saying; a word that isn't known at all makes the
whole value unfit, because a rule would refuse it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

_SWITCHED = {
    "off": "off aus dark none no 0 false",
    "on": "on an ein steady lit solid continuous dauer dauerlicht yes 1 true",
    "flashing": "flashing flash blink blinks blinking blinkt blinken blinkend blinklicht 2",
}
_STATES: Mapping[str, Mapping[str, str]] = {
    "lamp": _SWITCHED,
    "buzzer": _SWITCHED,
    "link": {
        "online": "online on up connected alive ok verbunden 1 true",
        "offline": "offline off down disconnected dead lost getrennt 0 false",
    },
    "kind": {
        "tape": "tape reel rolle gurt smdtapefeeder",
        "tray": "tray trays flaechenmagazin smdtrayfeeder",
        "stick": "stick tube stange",
        "bulk": "bulk bulkcase schuettgut",
    },
    "order_state": {
        "queued": "queued wait waiting planned released geplant wartet 0",
        "running": "running run active started in_progress laeuft aktiv gestartet 1",
        "finished": "finished done completed complete closed beendet fertig 2",
        "withdrawn": "withdrawn cancelled canceled aborted storniert abgebrochen",
    },
    "change": {
        "loaded": "loaded new load replaced changed exchange neu geladen geruestet gewechselt",
        "joined": "joined splice spliced append gespleisst angesetzt",
        "counted": "counted count inventory gezaehlt",
        "removed": "removed unload unloaded empty entnommen abgeruestet",
    },
}
_UNDERSTOOD: Mapping[str, frozenset[str]] = {
    "lamp": frozenset(("off", "on", "flashing", "false", "true", "0", "1")),
    "buzzer": frozenset(("off", "on", "flashing", "false", "true", "0", "1")),
    "link": frozenset(("online", "offline", "true", "false", "1", "0", "on", "off")),
    "kind": frozenset(("tape", "tray", "stick", "bulk")),
    "order_state": frozenset(("queued", "running", "finished", "withdrawn")),
    "change": frozenset(("loaded", "joined", "counted", "removed")),
}
_OURS = {
    means: {word: ours for ours, words in states.items() for word in words.split()}
    for means, states in _STATES.items()
}


def ours(means: str, said: Iterable[str]) -> dict[str, str] | None:
    """What has to be said of these words so that a rule understands them all; ``None``: one of them isn't
    known. Of a value that has no such words nothing has to be said."""
    if means not in _OURS:
        return {}
    to_say: dict[str, str] = {}
    for word in said:
        plain = word.strip().lower()
        if plain in _UNDERSTOOD[means] or plain in {"null", ""}:
            continue
        if plain not in _OURS[means]:
            return None
        to_say[word] = _OURS[means][plain]
    return to_say
