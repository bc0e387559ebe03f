"""What a name in a gateway's words may mean, by the words of the trade in English and German; and its words
for what is lit, loaded, running or reachable, in ours.

A guess, never more: what is drafted from it is marked as one.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise

from service.wire import readings
from service.wire.native import Misfit

_remembered = lru_cache(maxsize=8192)
_PARTS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")

_MEANINGS: Mapping[str, str] = {
    "lost": """lost loss losses miss missed misses mispick mispicks reject rejects rejected rejections drop
        drops dropped error errors fail fails failed scrap scrapped spoiled spoilt waste wasted notplaced nok
        bad verloren verlust verluste fehl fehler fehlpick fehlpicks fehlbestueckung ausschuss abwurf
        abwuerfe verworfen""",
    "picked": """pick picks picked pickup pickups taken used consumed entnommen aufgenommen abgeholt
        verbraucht verbrauch""",
    "placed": """placed place places placement placements mounted mount mounts mountings inserted assembled
        good bestueckt bestueckung bestueckungen gesetzt montiert gut""",
    "panels": """panel panels board boards pcb pcbs cycle cycles units product products nutzen platine
        platinen leiterplatte leiterplatten baugruppen zyklen zyklus takte stueck""",
    "empty": "empty exhaust exhausted runout leer",
    "buzzer": "buzzer sounder beeper sirene",
    "lamp": """lamp lamps light lights tower towers stack beacon signal andon ampel leuchte leuchten lampe
        lampen licht""",
    "link": "online up connected link alive reachable verbunden erreichbar",
    "recipe": "recipe recipes program programs programme rezept programm",
    "usage": "usage perpanel perboard bedarf",
    "order": "order orders workorder job jobs auftrag fertigungsauftrag",
    "state": "state status phase zustand",
    "kind": "kind pack packaging carriertype gebindeart",
    "part": """part partnumber partno pn material article component item bauteil artikel teil teilenummer
        materialnummer""",
    "change": "change what action operation aktion aenderung",
    "by": "by who operator user badge person bediener werker",
    "active": "active runs aktiv",
    "boards_per_panel": "images boardsperpanel",
    "id": "id uid uuid guid messageid kennung",
    "lot": "lot batch charge los",
    "supply": "reel supply package carrier spool rolle gebinde",
    "quantity": "quantity qty remaining rest amount menge restmenge bestand",
    "at": "at time timestamp ts t date datetime zeit zeitstempel uhrzeit stamp",
    "seq": "seq sequence sequenceno seqno n nr lfdnr folge",
    "session": "session run boot start epoch incarnation sitzung lauf",
}
_OF_WORD = {word: meaning for meaning, words in _MEANINGS.items() for word in words.split()}
_STRONG = ("lost", "empty", "buzzer", "lamp", "placed", "picked", "panels")
"""Where one name has words of several, the first of these rules: `placement errors` are lost parts."""

_NEUTRAL = frozenset(
    (
        "value",
        "val",
        "v",
        "count",
        "counts",
        "total",
        "number",
        "name",
        "text",
        "sum",
        "parts",
        "wert",
        "anzahl",
    )
)
_SECRETS = frozenset(
    (
        *("password", "passwords", "passwd", "pwd", "passwort", "kennwort"),
        *("secret", "secrets", "token", "tokens", "apikey", "credential", "credentials"),
    )
)
_TOGETHER: Mapping[frozenset[str], str] = {
    frozenset({"order", "panels"}): "order_panels",
    frozenset({"order", "quantity"}): "order_panels",
    frozenset({"order", "state"}): "order_state",
    frozenset({"recipe", "usage"}): "usage",
}

_LAMPS: Mapping[str, str] = {
    **dict.fromkeys(("red", "rot", "rd"), "red"),
    **dict.fromkeys(("yellow", "amber", "orange", "gelb", "ye"), "yellow"),
    **dict.fromkeys(("green", "gruen", "gn"), "green"),
    **dict.fromkeys(("blue", "blau", "bu"), "blue"),
    **dict.fromkeys(("white", "clear", "weiss", "wh"), "white"),
    **dict.fromkeys(("buzzer", "horn", "siren", "hupe", "summer"), "buzzer"),
}
"""The colours of IEC 60204-1, 10.3.2, with the letter codes of IEC 60757; and the buzzer of a tower."""

_PLACES: Mapping[str, str] = {
    "line": "line linie ln",
    "station": "station machine maschine module modul placer automat bestuecker equipment",
    "slot": """slot slots feeder feeders track tracks position positions pos location lane tray trays
        zufuehrer zufuehrung platz plaetze spur bahn stelle ruestplatz""",
}
_PLACE_OF_WORD = {word: place for place, words in _PLACES.items() for word in words.split()}


@_remembered
def words_in(name: str) -> tuple[str, ...]:
    """Its words, small, umlauts written out: ``PlacedTotal_F07`` has ``placed``, ``total``, ``f``, ``07``."""
    for letters, written in (
        ("ä", "ae"),
        ("ö", "oe"),
        ("ü", "ue"),
        ("Ä", "Ae"),
        ("Ö", "Oe"),
        ("Ü", "Ue"),
        ("ß", "ss"),
    ):
        name = name.replace(letters, written)
    plain = unicodedata.normalize("NFKD", name)
    return tuple(word.lower() for word in _PARTS.findall(plain))


def meaning_of(names: Sequence[str]) -> str | None:
    """What a value may mean whose steps are called so, outermost first: the nearest word decides,
    together with the one before it. What is called by a word that isn't known is unknown, whatever it is
    part of; a ``value`` is of what it is part of."""
    said = [found for name in names if (found := _meanings(name))]
    if not said or not (_meanings(names[-1]) or _is_neutral(names[-1])):
        return None
    near = said[-1]
    both = near | (said[-2] if len(said) > 1 else frozenset())
    for pair, meaning in _TOGETHER.items():
        if pair <= both:
            return meaning
    return next((each for each in _STRONG if each in near), min(near))


def _is_neutral(name: str) -> bool:
    return bool(_NEUTRAL & set(words_in(name))) or place_of(name) is not None


@_remembered
def _meanings(name: str) -> frozenset[str]:
    words = words_in(name)
    return frozenset(
        _OF_WORD[word] for word in _joined(words) if word in _OF_WORD and (len(word) > 1 or len(words) == 1)
    )


def lamp_of(*names: str) -> str | None:
    """The lamp, or the buzzer, that the last of them names that names one."""
    return next((_LAMPS[word] for name in reversed(names) for word in words_in(name) if word in _LAMPS), None)


def place_of(name: str) -> str | None:
    """`line`, `station` or `slot`, where a name says that it names one."""
    return next((_PLACE_OF_WORD[word] for word in reversed(words_in(name)) if word in _PLACE_OF_WORD), None)


def names_a_place(field: str) -> int:
    """How well a field of this name says whose its element is; 0: not at all."""
    if (place := place_of(field)) is not None:
        return 3 if place == "slot" else 2
    return int(bool({"id", "name", "no", "nr", "number", "nummer", "key", "address"} & set(words_in(field))))


@_remembered
def has_meaning(name: str) -> bool:
    """It says what a value is, not whose."""
    return meaning_of([name]) is not None


@_remembered
def is_known(name: str) -> bool:
    """A word of the trade, not somebody's own name for something."""
    return any(
        word in _OF_WORD or word in _LAMPS or word in _PLACE_OF_WORD for word in _joined(words_in(name))
    )


@_remembered
def looks_like_a_name(name: str) -> bool:
    """Such as plants give to lines, machines and slots: ``L3``, ``P1``, ``F07``, ``4``, ``Linie-2``."""
    words = words_in(name)
    return any(word.isdigit() for word in words) and words[:1] != ("v",) and len(name) <= 64


def is_a_name(text: str) -> bool:
    """Somebody's own for a line, a machine, a slot."""
    return looks_like_a_name(text) and not has_meaning(text) and lamp_of(text) is None


def tells_whose(text: str) -> bool:
    """A name of a place, or of a lamp."""
    return is_a_name(text) or lamp_of(text) is not None


@_remembered
def tells_a_secret(name: str) -> bool:
    """What is called so is a password or the like."""
    return not _SECRETS.isdisjoint(_joined(words_in(name)))


def _joined(words: tuple[str, ...]) -> tuple[str, ...]:
    """The words, and each with the one after it: ``part`` ``number`` is also ``partnumber``."""
    return (*words, *(a + b for a, b in pairwise(words)))


# States

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
_READ = {"lamp": readings.lamp, "buzzer": readings.lamp, "link": readings.linked}
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
        if plain in {"null", ""} or _is_understood(means, plain):
            continue
        if plain not in _OURS[means]:
            return None
        to_say[word] = _OURS[means][plain]
    return to_say


def _is_understood(means: str, word: str) -> bool:
    """By every rule, of itself."""
    if means not in _READ:
        return word in _STATES[means]
    try:
        _READ[means](word, {})
    except Misfit:
        return False
    return True
