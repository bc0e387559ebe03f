"""Chance, one stream for each concern and place: what happens in one place never shifts what happens in
another, so that a plant with a bell and one without get the same panels, stops, orders and labels."""

from __future__ import annotations

import random


class Streams:
    def __init__(self, seed: int, *place: str) -> None:
        self._seed = seed
        self._place = place

    def at(self, *place: str) -> Streams:
        """The streams of a place within this one."""
        return Streams(self._seed, *self._place, *place)

    def of(self, concern: str) -> random.Random:
        """The stream of a concern here: every call begins it anew, so ask once and keep it."""
        return random.Random("/".join((str(self._seed), *self._place, concern)))
