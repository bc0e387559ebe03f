"""Eclipse Sparkplug B 3.0 as a host application hears it: births, data and deaths of edge nodes and devices
become what our own contract says.

A node is understood from its birth to its death. Where its birth wasn't heard, or a message is missing longer
than the order of messages may take, it is asked to be born again, and until then nothing that it says is
believed. What it sends while we aren't there is lost: Sparkplug sends data with QoS 0 and wants a host that
keeps no session. Metrics that are totals heal that, because the next one holds all that was missed; what is
said as a difference, or as an event, does not come back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress

from service.domain.model import SECOND, Instant
from service.wire.gateway import Memories, Memory, Native, Request
from service.wire.native import Misfit
from service.wire.patterns import Pattern
from service.wire.sparkplug_payload import read_payload, write_rebirth
from service.wire.sparkplug_session import AROUND, Heard, Session, birth_number
from service.wire.sparkplug_stations import Known, Stations
from service.wire.values import Gathered, Rule, Values

NAMESPACE = "spBv1.0"
OF_NODES = ("NBIRTH", "NDATA", "NDEATH")
OF_DEVICES = ("DBIRTH", "DDATA", "DDEATH")
ASK_AGAIN = 10 * SECOND
"""No node is asked for its birth more often."""
ANSWER = 10 * SECOND
"""So long a node has for its births when it was asked, and its devices when it was born."""
MOST_NODES = 4096
Place = Mapping[str, str]


class Node:
    """An edge node as it is known now. ``due``: the devices (or "") that are taken for dead then, unless
    they are born; ``ask_at``: when it is to be asked for its birth."""

    def __init__(self, group: str, name: str, place: Place) -> None:
        self.group = group
        self.name = name
        self.place = place
        self.session: Session | None = None
        self.asked: Instant | None = None
        self.ask_at: Instant | None = None
        self.due: dict[str, Instant] = {}
        self.key = f"{group}/{name}"


class SparkplugTranslator:
    """``group``, ``node`` and ``device`` are patterns of one level each, whose captures say whose the metrics
    are; what doesn't fit them isn't ours. ``reorder``: how long a message may be late."""

    def __init__(
        self,
        source: str,
        rules: Sequence[Rule],
        *,
        group: str = "+",
        node: str = "+",
        device: str = "+",
        reorder: Instant = 2 * SECOND,
    ) -> None:
        """Raises ``ValueError`` for patterns and rules that can't be used."""
        self._group, self._node, self._device = map(_one_level, (group, node, device))
        _check_captures(self._group, self._node, self._device)
        above = [f"{NAMESPACE}/{self._group.filter}/{kind}/{self._node.filter}" for kind in OF_NODES]
        below = [
            f"{NAMESPACE}/{self._group.filter}/{kind}/{self._node.filter}/{self._device.filter}"
            for kind in OF_DEVICES
        ]
        self.filters: tuple[str, ...] = (*above, *below)
        gathered = Memory(Gathered, Gathered)
        known = Memory(Known, Known)
        self.memory = Memories(values=gathered, nodes=known)
        self._stations = Stations(known)
        self._values = Values(source, rules, gathered)
        self._reorder = reorder
        self._nodes: dict[str, Node] = {}
        self._requests: list[Request] = []
        self._heard_from_now_on = False
        self.gaps: int = 0
        """How many times messages stayed missing."""

    def hear(
        self, topic: str, payload: bytes, *, at: Instant, retained: bool = False
    ) -> Sequence[Native] | None:
        match topic.split("/"):
            case [ns, "STATE", _] if ns == NAMESPACE:
                return ()
            case [ns, group, kind, name] if ns == NAMESPACE and kind in OF_NODES:
                device = ""
            case [ns, group, kind, name, device] if ns == NAMESPACE and kind in OF_DEVICES and device:
                pass
            case _:
                raise Misfit("no such topic: expected spBv1.0/group/kind/node, and /device for those of one")
        place = self._place(group, name)
        if place is None:
            return ()
        if retained:
            raise Misfit("the broker kept this message: Sparkplug retains no birth, data or death")
        heard = Heard(kind, device, read_payload(payload), at)
        return self._take(self._node_of(group, name, place), heard)

    def look(self, at: Instant) -> Sequence[Native]:
        said: list[Native] = self._values.look(at)
        for node in self._nodes.values():
            said += self._apply_all(node, self._lapse(node, at), at)[0]
            self._ask(node, at)
            for device in [device for device, moment in node.due.items() if moment <= at]:
                said += self._die(node, device)
        return said

    def next_moment(self) -> Instant | None:
        moments = [self._values.next_moment()]
        for node in self._nodes.values():
            moments += [node.ask_at, *node.due.values()]
            if node.session is not None and node.session.since is not None:
                moments.append(node.session.since + self._reorder)
        return min((moment for moment in moments if moment is not None), default=None)

    def connected(self, at: Instant) -> Sequence[Native]:
        """Whatever was said meanwhile is lost, deaths too: every node is asked to be born again."""
        self._heard_from_now_on = True
        for node in self._nodes.values():
            node.session = node.asked = node.ask_at = None
            self._want(node, at)
        return ()

    def take_requests(self) -> Iterable[Request]:
        requests, self._requests = self._requests, []
        return requests

    def begin_anew(self) -> None:
        """No session is believed any more; those that are known are asked as soon as they can be."""
        self._nodes = {}
        self._requests = []
        self._stations.begin_anew()
        for key in self._stations.nodes():
            group, name = key.split("/", 1)
            place = self._place(group, name)
            if place is not None:
                node = self._nodes[key] = Node(group, name, place)
                node.ask_at = 0 if self._heard_from_now_on else None

    def _take(self, node: Node, heard: Heard) -> Sequence[Native] | None:
        if heard.kind == "NBIRTH":
            return self._be_born(node, heard)
        if heard.kind == "NDEATH":
            return self._node_dies(node, heard)
        late = self._lapse(node, heard.at)
        if node.session is None:
            self._want(node, heard.at)
            return ()
        ready = node.session.admit(heard)
        if ready is None and not late:
            return None
        ready = [*late, *(ready or ()), *self._lapse(node, heard.at)]
        said, misfits = self._apply_all(node, ready, heard.at)
        if misfits and not said:
            raise misfits[0]
        return said

    def _be_born(self, node: Node, heard: Heard) -> list[Native]:
        """A node's birth is a new session; its devices have to be born in it."""
        node.session = Session(heard.payload)
        node.session.learn(heard)
        node.ask_at = None
        node.due = {device: heard.at + ANSWER for device in self._stations.living(node.key) if device}
        return self._speak(node, heard)

    def _node_dies(self, node: Node, heard: Heard) -> list[Native] | None:
        """The death that belongs to the birth; that of a session before it says nothing. One of a session
        that we never heard lets us ask whether the node lives."""
        number = birth_number(heard.payload)
        expected = None if node.session is None else node.session.died_as
        if number is not None and expected is not None and number != expected:
            if (number - expected) % AROUND < AROUND // 2:
                self._want(node, heard.at)
            return None
        node.session = node.ask_at = None
        node.due.clear()
        living = self._stations.living(node.key)
        return [each for device in living for each in self._die(node, device)] or None

    def _apply_all(
        self, node: Node, ready: Sequence[Heard], at: Instant
    ) -> tuple[list[Native], list[Misfit]]:
        """What can't be read of several is said again by a birth, where it is refused by itself."""
        said: list[Native] = []
        misfits: list[Misfit] = []
        for each in ready:
            try:
                said += self._apply(node, each)
            except Misfit as misfit:
                misfits.append(misfit)
        if misfits and len(ready) > 1:
            self._want(node, at)
        return said, misfits

    def _apply(self, node: Node, heard: Heard) -> list[Native]:
        session = node.session
        if session is None or (heard.device and self._device.match(heard.device) is None):
            return []
        if heard.kind == "DDEATH":
            session.forget(heard.device)
            return self._die(node, heard.device, heard.payload.at)
        if heard.kind == "DBIRTH":
            session.learn(heard)
        elif not session.is_born(heard.device):
            self._want(node, heard.at)
            return []
        return self._speak(node, heard)

    def _speak(self, node: Node, heard: Heard) -> list[Native]:
        """What the metrics of a birth or of data say; whoever speaks is there. What of the past can't be read
        heals nothing and takes nothing of the present along."""
        node.due.pop(heard.device, None)
        if node.session is None:
            return []
        said = node.session.values(heard)
        if said.strange and not heard.kind.endswith("BIRTH"):
            self._want(node, heard.at)
        place = {**node.place, **(self._device.match(heard.device) or {})}
        natives = self._values.take(place, said.live, at=heard.at)
        if said.past:
            with suppress(Misfit):
                natives += self._values.take(place, said.past, at=heard.at, live=False)
        return [*self._stations.speak(node.key, heard.device, natives), *natives]

    def _die(self, node: Node, device: str, at: Instant | None = None) -> list[Native]:
        node.due.pop(device, None)
        return self._stations.die(node.key, device, at)

    def _lapse(self, node: Node, at: Instant) -> list[Heard]:
        """When the time for what is missing is over (also when our clock was set back): the session ends, or
        goes on with those that waited, where the node can't be asked."""
        session = node.session
        if session is None or session.since is None or session.since <= at < session.since + self._reorder:
            return []
        self.gaps += 1
        if not session.takes_rebirths:
            return session.give_up()
        node.session = None
        self._want(node, at)
        return []

    def _want(self, node: Node, at: Instant) -> None:
        """Its birth is wanted: a command may only name a metric that the node's birth has (6.4.23), if we
        know that."""
        if node.session is not None and not node.session.takes_rebirths:
            return
        if node.ask_at is None:
            again = at if node.asked is None else node.asked + ASK_AGAIN
            node.ask_at = max(at, again) if at >= (node.asked or 0) else at
        self._ask(node, at)

    def _ask(self, node: Node, at: Instant) -> None:
        if node.ask_at is None or node.ask_at > at:
            return
        node.ask_at, node.asked = None, at
        self._requests.append(Request(f"{NAMESPACE}/{node.group}/NCMD/{node.name}", write_rebirth(at)))
        if node.session is None:
            node.due = dict.fromkeys(self._stations.living(node.key), at + ANSWER)

    def _place(self, group: str, name: str) -> Place | None:
        of_group, of_node = self._group.match(group), self._node.match(name)
        return None if of_group is None or of_node is None else {**of_group, **of_node}

    def _node_of(self, group: str, name: str, place: Place) -> Node:
        key = f"{group}/{name}"
        if key not in self._nodes:
            if len(self._nodes) >= MOST_NODES:
                raise Misfit(f"there are {MOST_NODES} edge nodes already: no more are heard")
            self._nodes[key] = Node(group, name, place)
        return self._nodes[key]


def _one_level(text: str) -> Pattern:
    pattern = Pattern(text)
    if "/" in text or "#" in text:
        raise ValueError(f"pattern {text!r} stands for one level of the topic")
    return pattern


def _check_captures(*patterns: Pattern) -> None:
    names = [name for pattern in patterns for name in pattern.captures]
    if len(set(names)) < len(names):
        raise ValueError("`group`, `node` and `device` name a capture twice")
