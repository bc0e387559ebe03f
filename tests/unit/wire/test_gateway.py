"""What a translator remembers: written with the commit, put back when that fails."""

from __future__ import annotations

import msgspec

from service.wire.gateway import Memory


class Piece(msgspec.Struct, array_like=True):
    total: int = 0


def memory() -> Memory[Piece]:
    return Memory(Piece, Piece)


def test_only_what_was_touched_is_written():
    kept = memory()
    kept.of("L3/P1").total = 7
    assert list(kept.take_changes()) == ["L3/P1"]
    kept.of("L3/P2").total = 8
    kept.seen("L3/P1")
    assert list(kept.take_changes()) == ["L3/P2"]
    assert kept.take_changes() == {}


def test_it_is_the_same_after_a_restart():
    kept, again = memory(), memory()
    kept.of("L3/P1").total = 7
    again.restore({key: data for key, data in kept.take_changes().items() if data is not None})

    assert again.seen("L3/P1") == Piece(7)
    assert again.take_changes() == {}


def test_what_is_forgotten_is_forgotten_in_the_store_too():
    kept = memory()
    kept.of("L3/P1")
    kept.take_changes()
    kept.forget("L3/P1")
    kept.forget("L3/P9")

    assert kept.take_changes() == {"L3/P1": None}


def test_what_no_commit_holds_is_put_back_whether_it_was_taken_for_one_or_not():
    kept = memory()
    kept.of("committed").total = 1
    stored = kept.take_changes()
    kept.of("committed").total = 2
    kept.of("new").total = 3
    kept.take_changes()  # for a commit that fails
    kept.of("later").total = 4
    kept.undo(stored.get)

    assert [kept.seen(key) for key in ("committed", "new", "later")] == [Piece(1), None, None]
    assert kept.take_changes() == {}
