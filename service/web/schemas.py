"""The shapes of the HTTP contract: what a request may say (checked strictly) and what an answer looks like.

Requests are validated against these models; answers are only described by them, since what the reading side
gives is the contract's JSON already.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

import msgspec
from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    model_validator,
)

from service.domain.events import MOST
from service.domain.model import Instant, Level, NoticeState, from_datetime
from service.web.material import Aboard, Material
from service.wire.native import clean_name

_Moment = Annotated[datetime, msgspec.Meta(tz=True)]
_BEYOND = 9000
"""From this year on weeks and offsets would lead out of the calendar."""


def read_moment(text: str) -> Instant:
    """The instant of an RFC 3339 time with an offset. Raises ``ValueError``.

    In a query a bare ``+`` arrives as a space; ``06:14:07 01:00`` can only have meant ``+01:00``.
    """
    try:
        moment = msgspec.convert(text[:11] + text[11:].replace(" ", "+"), _Moment)
    except msgspec.ValidationError:
        raise ValueError(f"{text[:40]!r} is no RFC 3339 time with an offset (2026-03-02T06:14:07Z)") from None
    if not 1970 <= moment.year < _BEYOND:
        raise ValueError(f"{text[:40]!r} lies outside the years 1970 to {_BEYOND - 1}")
    return from_datetime(moment)


def _stripped(text: object) -> object:
    return text.strip() if isinstance(text, str) else text


Name = Annotated[
    str,
    AfterValidator(lambda raw: clean_name(raw, "name")),
    Field(description="1 to 64 letters of any script, digits, `.`, `_`, `-`; NFC"),
]
Person = Annotated[
    str,
    BeforeValidator(_stripped),
    Field(min_length=1, max_length=256, description="who: a name or a badge"),
]
Text = Annotated[str, Field(max_length=256)]
Source = Annotated[
    str | None, Field(description="which source counts it, `mqtt` for that of `[mqtt]`; null: none yet")
]
StaleSince = Annotated[
    str | None, Field(description="since when nothing is heard of its station, so that no number moves")
]
Count = Annotated[int, Field(ge=0, le=MOST)]


class _Asked(BaseModel):
    """What people and their tools send: no value is bent to fit, unknown keys are ignored."""

    model_config = ConfigDict(strict=True, extra="ignore")


class Take(_Asked):
    by: Person


class Quiet(_Asked):
    """Exactly one of ``panels`` and ``until``."""

    by: Person
    panels: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    until: AwareDatetime | None = None

    @model_validator(mode="after")
    def _one_bound(self) -> Quiet:
        if (self.panels is None) == (self.until is None):
            raise ValueError("give either `panels` or `until`: for how long to be quiet")
        return self


class Close(_Asked):
    by: Person
    reason: Annotated[str, BeforeValidator(_stripped), Field(min_length=1, max_length=256)]


class Supply(Material, _Asked):
    """The same as a supply message; ``slot`` is the one in the path."""

    change: Literal["loaded", "joined", "spliced", "counted", "removed", "undone"]
    at: AwareDatetime | None = None
    id: Text | None = None
    kind: Literal["tape", "tray", "stick", "bulk"] | None = None
    part: Text | None = None
    lot: Text | None = None
    quantity: Count | None = None
    by: Text | None = None
    supply: Text | None = None
    slot: Text | None = None
    grey: Count | None = None
    reason: Annotated[
        str | None, Field(max_length=256, description="why a part that doesn't belong there is loaded")
    ] = None
    guided: Annotated[
        bool, Field(description="refuse what doesn't belong there, unless `by` gives a `reason`")
    ] = False
    undoes: Annotated[
        str | None, Field(max_length=256, description="the `id` of the exchange, for `undone`")
    ] = None

    @model_validator(mode="after")
    def _counted_needs_a_quantity(self) -> Supply:
        if self.change == "counted" and self.quantity is None:
            raise ValueError("`counted` needs `quantity`: how many are left")
        if self.change == "undone" and not self.undoes:
            raise ValueError("`undone` needs `undoes`: the id of the exchange")
        return self


class Problem(BaseModel):
    detail: Annotated[str, Field(description="what is wrong, where, and what to do; for a person to read")]


class Readiness(BaseModel):
    ready: bool
    reasons: Annotated[list[str], Field(description="why not, in words; empty when ready")]


class Remaining(BaseModel):
    book: Annotated[int | None, Field(description="declared minus counted")]
    low: int | None
    expected: float | None
    high: int | None


class PanelSpread(BaseModel):
    p05: int
    p50: int
    p95: int


class TimeSpread(BaseModel):
    p05: str
    p50: str
    p95: str


class Counted(BaseModel):
    session: str | None
    seq: int | None
    panels: int | None


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class OrderShort(_Told):
    """How what is in the slot, or in those that feed with it, stands against the known orders ahead."""

    parts: Annotated[int, Field(description="expected to be missing at their end, rounded up; 0: it lasts")]
    chance: Annotated[float, Field(description="that it gives out before those orders are done")]
    order: Annotated[str | None, Field(description="the first that it probably won't complete")]
    panels: Annotated[int, Field(description="that they still need")]


class SlotForecast(Aboard):
    """One slot and when it runs empty. What isn't known is ``null``."""

    line: str
    station: str
    slot: str
    kind: str | None
    part: str | None
    lot: str | None
    supply: Annotated[str | None, Field(description="the very reel or tray, where it is named")]
    remaining: Remaining | None
    usage_per_panel: float | None
    usage_source: Literal["recipe", "learned", "none"]
    loss_rate: float | None
    panels_to_empty: PanelSpread | None
    empty_at: TimeSpread | None
    lead_panels: int
    urgent_panels: int
    chance: float | None
    state: Literal["ok", "due", "urgent", "empty", "unknown", "idle"]
    as_of: str | None
    source: Source
    stale_since: StaleSince
    boundary_only: bool
    assumed: Annotated[bool, Field(description="the quantity is believed, nobody declared it")]
    notice: Annotated[str | None, Field(description="the id of its notice that isn't closed")]
    order_panels_left: Annotated[
        int | None, Field(description="panels the known orders still need; null: no limit is known")
    ]
    order_short: Annotated[
        OrderShort | None, Field(description="null: no limit is known, or quantity or usage aren't")
    ]
    counted: Counted | None


class ShortageView(_Told):
    """By how many parts such supplies differ from what is said of them; negative: fewer."""

    low: float
    mean: float
    high: float


class FiguresView(_Told):
    """What a slot's number rests on. What isn't known is ``null``."""

    declared: int | None
    quantity_from: Literal["label", "person", "usual"] | None
    counted_since: Annotated[int | None, Field(description="placed or lost since that was said")]
    shortage: Annotated[
        ShortageView | None, Field(description="null: what was said is taken at its word, or nothing was")
    ]
    loss_rate: float
    usual_loss_rate: Annotated[float, Field(description="what is usual for its kind of supply")]
    losses_weighed: Annotated[float, Field(description="losses counted here, faded by age")]
    placements_weighed: Annotated[float, Field(description="the placements they belong to")]
    unreported: Annotated[int | None, Field(description="placements whose losses nobody reported")]
    missing: Annotated[float | None, Field(description="parts that may have gone without being counted")]
    usage_per_panel: float | None
    usage_source: Literal["recipe", "learned", "none"]
    shared_with: Annotated[list[str], Field(description="slots that feed the same placements")]
    order_panels_left: int | None
    takt_seconds: float | None
    lead_panels: int
    lead_minutes: float | None
    urgent_panels: int
    chance: float | None
    chance_limit: Annotated[float, Field(description="a warning is given from this chance on")]
    evidence: Annotated[list[str], Field(description="what went into the number; more may come")]
    since: Annotated[str | None, Field(description="when that was said")]
    last_count: str | None
    session: str | None
    seq: int | None
    assumed: bool


class SaidView(_Told):
    """A sentence before it is put into a language: its English text and what fills its `{names}`. What ends
    in `_at` is a moment; of what is counted (`values.number`) `many` is the text for several."""

    text: str
    values: dict[str, Any] = {}
    many: str | None = None


class WhyView(_Told):
    sentences: Annotated[list[str], Field(min_length=2, max_length=2, description="for a person to read")]
    said: Annotated[list[SaidView] | None, Field(description="the sentences, to be put into a language")]
    figures: FiguresView


class SlotDetail(SlotForecast):
    """One slot's forecast and why it is what it is."""

    why: WhyView


class NoticeView(_Told):
    id: str
    line: Annotated[str | None, Field(description="null: it concerns the whole site")]
    station: str | None
    slot: str | None
    part: str | None
    kind: Annotated[
        str, Field(description="`supply`, `question`, `wrong part`, `silent`, `loss`, …; more may come")
    ]
    level: Level
    state: NoticeState
    supply_kind: str | None
    boundary_only: bool
    opened_at: str
    changed_at: str
    panels_to_empty: PanelSpread | None
    empty_at: TimeSpread | None
    message: str
    said: Annotated[SaidView | None, Field(description="the message, to be put into a language")]
    taken_by: str | None
    quiet_until: str | None
    quiet_panels: int | None
    closed_at: str | None
    closed_by: str | None
    closed_because: str | None
    reason: Annotated[str | None, Field(description="the words of the person who closed it")]
    version: Annotated[int, Field(description="grows with each told change")]
    hears: Annotated[list[str], Field(description="the people whom it was told to")]
    reminded: Annotated[int, Field(description="how often it was said to them once more")]
    escalated: Annotated[int, Field(description="how many more were told because nobody took it")]


class RefusedView(_Told):
    id: int
    topic: str
    reason: str
    payload: Annotated[str, Field(description="its beginning")]
    times: int
    first_seen: str
    last_seen: str
