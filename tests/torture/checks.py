"""The judge: ledger, journal, notices, deliveries and the receivers' files against one another. Pure.

Each check gives a sentence for each fault it finds; none is no fault. It believes the ledger and the files,
never what the program says of itself alone."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from typing import Any

from tests.torture.evidence import Evidence

Json = dict[str, Any]
DUE_AT = 8
"""Panels: two below the lead, where no doubt about losses is left."""
FAR_FROM_DUE = 100


def check(evidence: Evidence) -> list[str]:
    """All that is wrong, in words."""
    return [fault for each in CHECKS for fault in each(evidence)]


def everything_came_to_its_end(evidence: Evidence) -> Iterator[str]:
    yield from (f"not settled: {what}" for what in evidence.unsettled)


def no_count_is_lost(evidence: Evidence) -> Iterator[str]:
    """I1. Where differences were lost for good, the station must say that it is uncertain."""
    truth = evidence.truth
    shown = {(each["line"], each["station"], each["slot"]): each for each in evidence.slots}
    for key in sorted(truth.declared):
        if key not in shown or shown[key]["remaining"] is None:
            yield f"{key}: the program knows nothing of it"
            continue
        book, expected = shown[key]["remaining"]["book"], truth.book(*key)
        if book > expected and key[:2] in evidence.uncertain & truth.deltas:
            continue
        if book != expected:
            what = "counted twice" if book < expected else "lost, and nobody says so"
            yield f"{key}: {abs(book - expected)} parts {what} (shown {book}, true {expected})"


def a_hole_is_filled_where_it_can_be(evidence: Evidence) -> Iterator[str]:
    """I1: a gateway that still has what is missing was asked for it, and the doubt is over."""
    yield from (f"{place} is uncertain for ever" for place in sorted(evidence.uncertain & evidence.careful))


def every_session_is_counted_to_its_end(evidence: Evidence) -> Iterator[str]:
    """I1: the last totals of each session in the journal are those of the ledger."""
    heard: dict[tuple[str, str], Json] = {}
    for entry in _of_kind(evidence, "count"):
        session, seq = entry["data"]["session"], entry["data"]["seq"]
        key = entry["subject"], session
        if key not in heard or heard[key]["seq"] < seq:
            heard[key] = entry["data"]
    for place, sessions in sorted(evidence.truth.sessions.items()):
        for session, totals in sessions.items():
            last = heard.get(("/".join(place), session))
            if last is None or last["seq"] != totals.seq:
                yield f"{place} {session}: heard to {last and last['seq']} of {totals.seq}"
            elif place not in evidence.truth.deltas:
                counts = {slot: (each["placed"], each["lost"]) for slot, each in last["slots"].items()}
                if counts != totals.slots:
                    yield f"{place} {session}: totals {counts} instead of {totals.slots}"


def nothing_is_heard_twice(evidence: Evidence) -> Iterator[str]:
    """I2: no number of a session and no id of a supply changes anything twice."""
    seen = Counter(
        (entry["subject"], entry["data"]["session"], entry["data"]["seq"])
        for entry in _of_kind(evidence, "count")
    )
    seen.update((entry["subject"], "supply", entry["data"]["id"]) for entry in _of_kind(evidence, "supply"))
    yield from (f"{key} went in {times} times" for key, times in seen.items() if times > 1)


def every_supply_is_heard(evidence: Evidence) -> Iterator[str]:
    heard = {entry["data"]["id"] for entry in _of_kind(evidence, "supply")}
    yield from (f"supply {each} was never heard" for each in sorted(evidence.truth.supplies - heard))


def every_change_has_its_deliveries(evidence: Evidence) -> Iterator[str]:
    """I3: each version of each notice is written down for the webhook, which hears all."""
    told = {(each["notice"], each["version"]) for each in evidence.deliveries if each["outlet"] == "hook"}
    for notice in evidence.notices:
        if notice["kind"] == "outlet" and notice["about"] == "hook":
            continue
        for version in range(1, notice["version"] + 1):
            if (notice["id"], version) not in told:
                yield f"{notice['id']} version {version}: no delivery to the webhook"


def what_is_called_sent_was_received(evidence: Evidence) -> Iterator[str]:
    """I3: the receivers have on file what the program calls sent; what it calls replaced, a later version."""
    taken = {_version_key(each["key"]) for each in _hooks(evidence) if each["taken"]}
    newest: dict[str, int] = {}
    for each in _hooks(evidence):
        if each["taken"]:
            newest[each["notice"]] = max(newest.get(each["notice"], 0), each["version"])
    for row in (row for row in evidence.deliveries if row["outlet"] == "hook"):
        name = f"{row['notice']} version {row['version']} to the webhook"
        if row["state"] == "sent" and (row["notice"], row["version"]) not in taken:
            yield f"{name} is called sent, and never came"
        if row["state"] == "replaced" and newest.get(row["notice"], 0) < row["version"]:
            yield f"{name} is called replaced, and nothing as new came"


def every_letter_called_sent_was_received(evidence: Evidence) -> Iterator[str]:
    """I3, for people: what is called sent stands in some letter, as it was or as it was later."""
    newest: dict[str, int] = {}
    letters = (each for each in evidence.received if each["outlet"] == "mail")
    for notice, version in (told for letter in letters for told in letter["told"]):
        newest[notice] = max(newest.get(notice, 0), version)
    for row in (row for row in evidence.deliveries if row["outlet"] == "mail"):
        if row["state"] == "sent" and newest.get(row["notice"], 0) < row["version"]:
            yield f"{row['notice']} version {row['version']} is called sent, and no letter told it"


def what_is_not_delivered_says_why(evidence: Evidence) -> Iterator[str]:
    """I3: sent, told along by a later one, or dead with a reason; nothing is left lying."""
    for row in evidence.deliveries:
        name = f"delivery {row['id']} ({row['notice']} version {row['version']} to {row['outlet']})"
        if row["state"] not in {"sent", "replaced", "dead"}:
            yield f"{name} is still {row['state']}"
        elif row["state"] == "dead" and row["error"] is None:
            yield f"{name} is dead and doesn't say why"


def a_repeat_comes_under_the_same_id(evidence: Evidence) -> Iterator[str]:
    """I4, for the webhook: one change of one notice, one id; and no more deliveries than attempts."""
    ids: dict[tuple[str, int, str], set[str]] = defaultdict(set)
    times: Counter[tuple[str, int]] = Counter()
    for each in _hooks(evidence):
        ids[each["notice"], each["version"], each["change"]].add(each["key"])
        times[_version_key(each["key"])] += 1
    yield from (f"{what} came under {sorted(keys)}" for what, keys in ids.items() if len(keys) > 1)
    attempts = {
        (row["notice"], row["version"]): row["attempts"]
        for row in evidence.deliveries
        if row["outlet"] == "hook"
    }
    for key, came in times.items():
        if came > attempts.get(key, 0):
            yield f"{key} came {came} times in {attempts.get(key, 0)} attempts"


def conversations_keep_their_order(evidence: Evidence) -> Iterator[str]:
    """I5: of each notice first that it opened, then versions that never fall, and nothing after its close but
    a new opening or a repeat."""
    last: dict[str, Json] = {}
    for each in (each for each in _hooks(evidence) if each["taken"]):
        before = last.get(each["notice"])
        if before is None and each["change"] != "opened":
            yield f"{each['notice']}: {each['change']} came before it opened"
        elif before is not None and each["version"] < before["version"]:
            yield f"{each['notice']}: version {each['version']} came after {before['version']}"
        elif _comes_after_the_close(each, before):
            yield f"{each['notice']}: {each['change']} came after its close"
        last[each["notice"]] = each


def _comes_after_the_close(this: Json, before: Json | None) -> bool:
    """Neither a repeat of it nor that it is open again."""
    if before is None or before["change"] != "closed":
        return False
    return bool(this["state"] == "closed" and this["key"] != before["key"])


def who_runs_low_has_a_notice(evidence: Evidence) -> Iterator[str]:
    """The end state by the ledger alone: a slot that is low has a live notice that was received, one that is
    far from low has none."""
    live = {
        (each["line"], each["station"], each["slot"]): each["id"]
        for each in evidence.notices
        if each["kind"] == "supply" and each["state"] != "closed"
    }
    received = {each["notice"] for each in _hooks(evidence) if each["taken"]}
    for key in sorted(evidence.truth.declared):
        left = evidence.truth.panels_left(*key)
        if key[:2] in evidence.uncertain:
            continue
        if left <= DUE_AT and live.get(key) not in received:
            yield f"{key} has {left} panels left, and nobody was told"
        if left >= FAR_FROM_DUE and key in live:
            yield f"{key} has {left} panels left, and a notice is open"


def a_replay_finds_the_same_notices(evidence: Evidence) -> Iterator[str]:
    keys = ("version", "level", "state", "closed_because", "loading")
    lived = {each["id"]: tuple(each[key] for key in keys) for each in evidence.notices}
    again = {each["id"]: tuple(each[key] for key in keys) for each in evidence.replayed}
    for name in sorted(lived.keys() | again.keys()):
        if lived.get(name) != again.get(name):
            yield f"{name}: {lived.get(name)} in life, {again.get(name)} in the replay"


def what_fits_nothing_is_listed(evidence: Evidence) -> Iterator[str]:
    """I10. A broker killed hard may lose one; what comes must be listed, and nothing else."""
    unknown = {row["payload"] for row in evidence.refused} - evidence.truth.garbage
    yield from (f"refused, but never sent like this: {each[:80]}" for each in sorted(unknown))


def no_secret_is_told(evidence: Evidence) -> Iterator[str]:
    """I12."""
    yield from ("the webhook's secret stands in the log" for _ in evidence.leaks)


CHECKS: tuple[Callable[[Evidence], Iterator[str]], ...] = (
    everything_came_to_its_end,
    no_count_is_lost,
    a_hole_is_filled_where_it_can_be,
    every_session_is_counted_to_its_end,
    nothing_is_heard_twice,
    every_supply_is_heard,
    every_change_has_its_deliveries,
    what_is_called_sent_was_received,
    every_letter_called_sent_was_received,
    what_is_not_delivered_says_why,
    a_repeat_comes_under_the_same_id,
    conversations_keep_their_order,
    who_runs_low_has_a_notice,
    a_replay_finds_the_same_notices,
    what_fits_nothing_is_listed,
    no_secret_is_told,
)


def duplicates(evidence: Evidence) -> int:
    """Deliveries that were taken more than once, as far as their receivers can tell by the id."""
    taken = [(each["outlet"], each["key"]) for each in evidence.received if each["taken"]]
    return len(taken) - len(set(taken))


def _of_kind(evidence: Evidence, kind: str) -> Iterator[Json]:
    return (entry for entry in evidence.journal if entry["type"] == f"earlybell.floor.{kind}")


def _hooks(evidence: Evidence) -> Iterator[Json]:
    return (each for each in evidence.received if each["outlet"] == "hook")


def _version_key(key: str) -> tuple[str, int]:
    """(notice, version) of a webhook's id; a letter's id has a form of its own."""
    notice, dash, rest = key.partition("-v")
    return (notice, int(rest.split("-")[0])) if dash else (key, 0)
