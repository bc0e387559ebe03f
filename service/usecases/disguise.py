"""What is remembered, and what happened, under other names: which fields are names, and whose.

A field that isn't named here stays as it is, so a test holds that each text is either here or known to be no
such name. Free text is left out; what a notice says is put into words anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import msgspec

from service.domain import events, history, lots, model, policy, reviewing, state, stays, word
from service.domain.model import Notice
from service.domain.moisture import Cared, read_level
from service.domain.notices import notice_id
from service.domain.said import Said, Value, put
from service.domain.state import SlotState, StationState
from service.usecases.pseudonyms import LEFT_OUT, Kind, Names

S = TypeVar("S", bound=msgspec.Struct)
Rule = Callable[["Disguise", Any], Any]
Field = tuple[type, str]


@dataclass(slots=True)
class Disguise:
    """``timezone``: of the plant's clocks, by which notices name moments; ``notices``: the ids of those that
    were met, and their other ones."""

    names: Names
    timezone: str = "UTC"
    notices: dict[str, str] = field(default_factory=dict)

    def of(self, whole: S) -> S:
        """A copy under other names."""
        kind = type(whole)
        values = ((name, getattr(whole, name)) for name in kind.__struct_fields__)
        return kind(**{name: self._field(kind, name, value) for name, value in values})

    def _field(self, kind: type, name: str, value: Any) -> Any:
        rule = RULES.get((kind, name))
        return self.inside(value) if rule is None else rule(self, value)

    def inside(self, value: Any) -> Any:
        """The same of whatever holds such values."""
        match value:
            case Notice():
                return self.notice(value)
            case Said():
                return self.said(value)
            case msgspec.Struct():
                return self.of(value)
            case list():
                return [self.inside(each) for each in value]
            case tuple():
                return tuple(self.inside(each) for each in value)
            case dict():
                return {key: self.inside(each) for key, each in value.items()}
            case _:
                return value

    def notice(self, notice: Notice) -> Notice:
        other = self.of(notice)
        said = other.said
        return msgspec.structs.replace(
            other,
            id=self.id_of(notice),
            about=self.about(notice),
            message=LEFT_OUT if said is None else put(said, ZoneInfo(self.timezone)),
        )

    def about(self, notice: Notice) -> str | None:
        """A slot and a kind of supply stay as they are."""
        kind = _ABOUT.get(notice.kind)
        return notice.about if kind is None or notice.about is None else self.names.of(kind, notice.about)

    def id_of(self, notice: Notice) -> str:
        """What derives from a loading derives from its other name; anything else is a name like any other."""
        known = self.notices.get(notice.id)
        if known is None:
            known = self.notices[notice.id] = self._derived(notice) or self.names.of("notice", notice.id)
        return known

    def _derived(self, notice: Notice) -> str | None:
        if notice.loading is None or notice.slot is None:
            return None
        station = StationState(notice.line or "", notice.station or "")
        was = SlotState(notice.slot, loading=notice.loading)
        now = SlotState(notice.slot, loading=self.names.of("event", notice.loading))
        for about in ("", notice.kind):
            if notice_id(station, was, about=about) == notice.id:
                return notice_id(station, now, about=about)
        return None

    def said(self, said: Said) -> Said:
        values = {name: self._said_value(name, value) for name, value in said.values.items()}
        return msgspec.structs.replace(said, values=values)

    def _said_value(self, name: str, value: Value) -> Value:
        if not isinstance(value, str):
            return self.inside(value)  # type: ignore[no-any-return]
        if name in _SAID_AS_IT_IS or name.endswith("_at") or not value:
            return value
        kind = _SAID.get(name)
        return LEFT_OUT if kind is None else self.names.of(kind, value)


_ABOUT: Mapping[str, Kind] = {"outlet": "who", "recipe": "recipe"}
"""What a notice of a kind is about, where that is a name."""
_SAID: Mapping[str, Kind] = {
    "part": "part",
    "wanted": "part",
    "supply": "supply",
    "person": "who",
    "outlet": "who",
    "order": "order",
    "recipe": "recipe",
}
_SAID_AS_IT_IS = frozenset({"where", "place", "slot", "source"})


def _named(kind: Kind) -> Rule:
    return lambda own, value: None if value is None else own.names.of(kind, value)


def _each(kind: Kind) -> Rule:
    return lambda own, value: type(value)(own.names.of(kind, each) for each in value)


def _by_key(kind: Kind) -> Rule:
    return lambda own, value: {own.names.of(kind, key): own.inside(each) for key, each in value.items()}


def _by_value(kind: Kind) -> Rule:
    return lambda own, value: {key: own.names.of(kind, each) for key, each in value.items()}


def _pattern(kind: Kind) -> Rule:
    return lambda own, value: None if value is None else own.names.pattern(kind, value)


def _patterns(kind: Kind) -> Rule:
    return lambda own, value: type(value)(own.names.pattern(kind, each) for each in value)


def _text(_: Disguise, value: str | None) -> str | None:
    return LEFT_OUT if value else value


def _texts(_: Disguise, value: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(LEFT_OUT for _ in value)


def _notice_id(own: Disguise, value: str) -> str:
    """Of one that nobody knows nothing is known."""
    return own.notices.get(value) or own.names.of("notice", value)


def _packed(own: Disguise, value: bytes) -> bytes:
    return msgspec.msgpack.encode(own.of(msgspec.msgpack.decode(value, type=SlotState)))


def _ready(own: Disguise, value: tuple[str, str | None] | None) -> tuple[str, str | None] | None:
    return None if value is None else (own.names.of("part", value[0]), value[1])


def _kept(own: Disguise, value: tuple[str, list[Any]] | None) -> tuple[str, list[Any]] | None:
    return None if value is None else (own.names.of("event", value[0]), own.inside(value[1]))


def _level(_: Disguise, value: object) -> str | None:
    return read_level(value)


def _number(_: Disguise, value: object) -> object:
    return value if isinstance(value, int | float) else None


def _trays(_: Disguise, value: object) -> object:
    """Its numbers; whatever else somebody wrote there means nothing."""
    if not isinstance(value, dict):
        return None
    return {key: value[key] for key in _OF_TRAYS if _plain(value.get(key))}


def _plain(value: object) -> bool:
    return all(isinstance(each, int) for each in (value if isinstance(value, list) else [value]))


_OF_TRAYS = ("rows", "columns", "stack", "next", "partial")
PART, LOT, SUPPLY, WHO = _named("part"), _named("lot"), _named("supply"), _named("who")
ORDER, RECIPE, EVENT = _named("order"), _named("recipe"), _named("event")
RULES: Mapping[Field, Rule] = {
    (state.LineState, "orders"): _by_key("order"),
    (state.LineState, "running"): ORDER,
    (state.Order, "name"): ORDER,
    (state.Order, "recipe"): RECIPE,
    (state.Ready, "part"): PART,
    (state.Ready, "by"): WHO,
    (state.StationState, "order"): ORDER,
    (state.StationState, "recipes"): _by_key("recipe"),
    (state.StationState, "last_active"): RECIPE,
    (state.Recipe, "name"): RECIPE,
    (state.Recipe, "parts"): _by_value("part"),
    (state.SlotState, "part"): PART,
    (state.SlotState, "lot"): LOT,
    (state.SlotState, "supply"): SUPPLY,
    (state.SlotState, "supply_before"): SUPPLY,
    (state.SlotState, "loading"): EVENT,
    (state.SlotState, "supply_ids"): _each("event"),
    (state.Exchanged, "event"): EVENT,
    (state.Exchanged, "loading"): EVENT,
    (state.Exchanged, "other_loading"): EVENT,
    (state.Exchanged, "before"): _packed,
    (state.Exchanged, "by"): WHO,
    (state.Exchanged, "supply"): SUPPLY,
    (state.Exchanged, "ready"): _ready,
    (state.SupplyState, "name"): SUPPLY,
    (state.SupplyState, "part"): PART,
    (state.SupplyState, "lot"): LOT,
    (word.Taught, "part"): PART,
    (events.Elsewhere, "used"): _by_key("supply"),
    (Cared, "by"): WHO,
    (model.PlannedStop, "order"): ORDER,
    (model.PlannedExchange, "loading"): EVENT,
    (Notice, "part"): PART,
    (Notice, "taken_by"): WHO,
    (Notice, "closed_by"): WHO,
    (Notice, "hears"): _each("who"),
    (Notice, "loading"): EVENT,
    (Notice, "reason"): _text,
    (history.Learned, "part"): PART,
    (history.Booked, "part"): PART,
    (lots.SlotStays, "kept"): _kept,
    (stays.Stay, "loading"): EVENT,
    (stays.Stay, "part"): PART,
    (stays.Stay, "lot"): LOT,
    (stays.Stay, "supply"): SUPPLY,
    (stays.Stay, "by"): WHO,
    (stays.Stay, "ended_by"): WHO,
    (stays.Run, "order"): ORDER,
    (stays.Run, "recipe"): RECIPE,
    (policy.Policy, "outlets"): _each("who"),
    (policy.Policy, "programs"): _each("who"),
    (policy.WarnRule, "part"): _pattern("part"),
    (policy.SlotRule, "part"): PART,
    (policy.Route, "outlets"): _each("who"),
    (policy.Route, "people"): _each("who"),
    (policy.Route, "escalate_to"): _each("who"),
    (policy.Person, "name"): WHO,
    (policy.Person, "outlets"): _each("who"),
    (policy.Duty, "roster"): WHO,
    (policy.Duty, "people"): _each("who"),
    (policy.Substitute, "part"): PART,
    (policy.Substitute, "instead"): _each("part"),
    (policy.CareRule, "steps"): _texts,
    (policy.PartCost, "part"): _pattern("part"),
    (policy.MoistureRule, "part"): _pattern("part"),
    (reviewing.ReviewRules, "engineering"): _patterns("recipe"),
    (reviewing.TaktRule, "recipe"): _pattern("recipe"),
    (events.CountMessage, "lane"): _number,
    (events.SupplyMessage, "id"): EVENT,
    (events.SupplyMessage, "undoes"): EVENT,
    (events.SupplyMessage, "part"): PART,
    (events.SupplyMessage, "lot"): LOT,
    (events.SupplyMessage, "supply"): SUPPLY,
    (events.SupplyMessage, "by"): WHO,
    (events.SupplyMessage, "reason"): _text,
    (events.SupplyMessage, "moisture_level"): _level,
    (events.SupplyMessage, "floor_hours"): _number,
    (events.SupplyMessage, "trays"): _trays,
    (events.SupplyCare, "supply"): SUPPLY,
    (events.SupplyCare, "by"): WHO,
    (events.SupplyCare, "part"): PART,
    (events.SupplyCare, "moisture_level"): _level,
    (events.Checked, "part"): PART,
    (events.Checked, "by"): WHO,
    (events.Checked, "lot"): LOT,
    (events.Checked, "supply"): SUPPLY,
    (events.RecipeMessage, "recipe"): RECIPE,
    (events.RecipeMessage, "parts"): _by_value("part"),
    (events.OrderMessage, "order"): ORDER,
    (events.OrderMessage, "recipe"): RECIPE,
    (events.PersonAct, "notice"): _notice_id,
    (events.PersonAct, "by"): WHO,
    (events.PersonAct, "reason"): _text,
    (events.Readied, "part"): PART,
    (events.Readied, "by"): WHO,
    (events.OutletReport, "outlet"): WHO,
    (events.OutletReport, "reason"): _text,
    (events.Refusals, "reason"): _text,
}
