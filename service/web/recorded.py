"""The shapes of what is remembered: the track record of the warnings, and what finished supplies taught."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class Asked(_Told):
    """Panels before empty that the warnings were to give."""

    least: int
    usual: int
    most: int


class Interval(_Told):
    """How often the 90 % interval of the first forecast held what happened."""

    covered: int
    ended: Annotated[int, Field(description="supplies whose end was seen after a warning")]


class Figures(_Told):
    """Over the warnings that are remembered, the last 400 of a kind."""

    asked: Annotated[Asked | None, Field(description="null: no warning was judged yet")]
    warnings: Annotated[int, Field(description="those judged; without those set apart")]
    had_them: Annotated[float, Field(description="gave the panels asked; a refill before counts by chance")]
    late: Annotated[
        float, Field(description="gave fewer; a refill before counts by its chance of being late")
    ]
    late_expected: Annotated[float, Field(description="at most so many are, while the promise is kept")]
    missed: Annotated[int, Field(description="of the late ones: empty without a warning before")]
    refilled_before: Annotated[int, Field(description="or taken out, counted, done: the end wasn't seen")]
    apart: Annotated[int, Field(description="couldn't come earlier, so they aren't judged")]
    interval: Interval
    deciles: Annotated[
        list[int],
        Field(min_length=10, max_length=10, description="ends by the tenth of their forecast they fell in"),
    ]


class Ever(_Told):
    """Since the beginning."""

    warnings: int
    late: float
    apart: int
    interval: Interval


class KindFigures(Figures):
    kind: Annotated[str | None, Field(description="of supply; null: never said")]
    notice: Annotated[str | None, Field(description="the notice that tells of a promise that isn't kept")]
    ever: Ever


class OutcomeView(_Told):
    """What became of one warning."""

    at: str
    line: str
    station: str
    slot: str
    kind: str | None
    asked: int
    given: Annotated[int | None, Field(description="panels until empty; null: it was refilled before")]
    late: Annotated[float, Field(description="1 or 0, or the chance of it where the end wasn't seen")]
    missed: Annotated[bool, Field(description="it was empty without a warning before")]
    covered: bool | None
    decile: int | None
    apart: bool


class RecordView(_Told):
    all: Figures
    kinds: list[KindFigures]
    last: Annotated[list[OutcomeView], Field(description="newest first")]
    last_late: Annotated[list[OutcomeView], Field(description="newest first")]


class LossRates(_Told):
    """Parts lost per part picked: nine of ten supplies lie between low and high."""

    low: float
    usual: float
    high: float


class ShortageQuantiles(_Told):
    """Parts more (or, negative, fewer) than was said."""

    p05: float
    p50: float
    p95: float


class BasisView(_Told):
    basis: Annotated[
        str, Field(description="`label`, `partial`, `usual`, `person`: whose word the quantity is")
    ]
    ends: int
    empties: Annotated[int, Field(description="ends at which nothing was left")]
    shortage: Annotated[ShortageQuantiles | None, Field(description="null: taken at its word")]


class LearnedView(_Told):
    kind: str | None
    part: Annotated[str | None, Field(description="null: of all parts of that kind")]
    finished: int
    loss_rate: Annotated[LossRates | None, Field(description="null: nothing was learned of losses yet")]
    bases: list[BasisView]
