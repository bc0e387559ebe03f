"""How likely a supply gives out before it has given so many more good placements.

Three beliefs meet here: the loss odds (a Gamma belief that starts from the kind of supply and learns from
counts), what is really left in the supply (twelve weighted possibilities, ``law``'s), and the losses nobody
reported.
This file knows parts and placements only; panels, recipes and orders are ``outlook``'s.

Losses while ``E`` parts are placed are negative binomial: P(losses <= m) = betainc(a, m + 1, b / (b + E)).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, expm1
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
from scipy.special import betainc

from service.domain.model import SupplyKind

Floats = npt.NDArray[np.float64]

CRUMB = 1e-6
"""A need of less than this part of a part is the noise of floating point, not a part."""

MEMORY = 500.0
"""Placements after which evidence of losses has faded to 1/e: the best of those tried on made-up supplies."""

ROUNDING = 1e-6
"""Chances are told in steps of this size; a bound has to stay clear of the limit by as much."""


@dataclass(frozen=True, slots=True)
class Belief:
    """Gamma belief of the loss odds, lost parts per placed part: ``a`` losses seen in ``b`` placements."""

    a: float
    b: float

    @property
    def odds(self) -> float:
        return self.a / self.b


PRIOR: Mapping[str | None, Belief] = MappingProxyType(
    {
        SupplyKind.TAPE: Belief(1.5, 300.0),  # 0.5 %
        SupplyKind.TRAY: Belief(1.0, 500.0),  # 0.2 %
        SupplyKind.STICK: Belief(1.0, 500.0),
        SupplyKind.BULK: Belief(1.5, 150.0),  # 1 %
        None: Belief(1.5, 300.0),
    }
)


def learn(
    lost_evidence: float, placed_evidence: float, placed: float, lost: float, memory: float = MEMORY
) -> tuple[float, float]:
    """The evidence after ``placed`` more placements of which ``lost`` parts were lost beside them.

    Forgetting runs on inside a message, so the result doesn't depend on how messages cut the same placements
    (at an even loss rate). The belief is the prior plus this evidence: it forgets towards the prior.
    """
    if placed <= 0:
        return lost_evidence + lost, placed_evidence
    forgotten = -expm1(-placed / memory)
    return (
        lost_evidence + forgotten * (lost * memory / placed - lost_evidence),
        placed_evidence + forgotten * (memory - placed_evidence),
    )


def lasting(placements: float) -> float:
    """How much of what was seen of the losses holds for so many placements to come, on average: odds wander,
    so evidence fades ahead as it does behind, half as fast."""
    fading = placements / (2.0 * MEMORY)
    return -expm1(-fading) / fading if fading > 1e-6 else 1.0


def still_feeding(left: Floats, weight: Floats, a: Floats, b: Floats, blind: Floats) -> Floats:
    """Each possibility's weight (S, Q) times the chance that unreported losses haven't emptied it by now."""
    alive = np.where(left > 0.0, weight, 0.0)
    hidden = (blind > 0.0)[:, None] & (alive > 0.0)
    survived = np.ones(left.shape)
    betainc(a[:, None], left, (b / (b + blind))[:, None], out=survived, where=hidden)
    return np.asarray(alive * survived)


def chance_below(
    wanted: Floats, exposure: Floats, left: Floats, weight: Floats, feeding: Floats, a: Floats, b: Floats
) -> Floats:
    """P(left - losses during ``exposure`` placements < ``wanted`` whole parts, given that it feeds), (S,).

    ``feeding`` comes from ``still_feeding``. Where nothing can be left any more it is 1 for ``wanted`` > 0.
    """
    room = left - (wanted - 1.0)[:, None]
    lasting = np.zeros(left.shape)
    possible = (feeding > 0.0) & (room > 0.0)
    betainc(a[:, None], room, (b / (b + exposure))[:, None], out=lasting, where=possible)
    short = np.zeros(len(left))
    total = np.zeros(len(left))
    # Node after node, not sum(axis=1): the order of additions is then the scalar path's, to the last bit.
    for node in range(left.shape[1]):
        alive = feeding[:, node]
        total += alive
        short += alive - weight[:, node] * lasting[:, node]
    gone = total <= 0.0
    chance = np.maximum(short / np.where(gone, 1.0, total), 0.0)
    return np.where(wanted <= 0.0, 0.0, np.where(gone, 1.0, chance))


def chance_short(
    need: Floats,
    left: Floats,
    weight: Floats,
    a: Floats,
    b: Floats,
    blind: Floats,
    feeding: Floats | None = None,
) -> Floats:
    """P(the supply can't give ``need`` more good placements, given that it still feeds), for S slots at once.

    ``need``, ``a``, ``b``, ``blind`` (S,); ``left`` (S, Q) whole parts after all reported consumption;
    ``weight`` (S, Q) or (Q,). ``blind`` are placements since the load whose losses nobody reported: they
    burden the supply like the coming ones, as far as it survived them. Possibilities <= 0 are gone; when all
    are, any need is too much. ``feeding`` (of ``still_feeding``) saves work when slots are asked again.
    """
    weight = np.broadcast_to(weight, left.shape)
    if feeding is None:
        feeding = still_feeding(left, weight, a, b, blind)
    return chance_below(np.ceil(need - CRUMB), need + blind, left, weight, feeding, a, b)


def expected_left(
    left: Floats, weight: Floats, feeding: Floats, a: Floats, b: Floats, blind: Floats
) -> Floats:
    """The mean of the parts really left, given that it feeds, (S,); 0 where nothing can be left any more.

    By k·P(losses = k; a) = a E/b · P(losses = k - 1; a + 1) the losses' mean over what it survived is another
    ``betainc``.
    """
    hidden = (feeding > 0.0) & (blind > 0.0)[:, None] & (left > 1.0)
    survived = np.zeros(left.shape)
    betainc(a[:, None] + 1.0, left - 1.0, (b / (b + blind))[:, None], out=survived, where=hidden)
    losses = (a / b * blind)[:, None] * weight * survived
    total = feeding.sum(axis=1)
    return np.asarray((feeding * left - losses).sum(axis=1) / np.where(total > 0.0, total, 1.0))


def chance_short_one(need: float, left: Floats, weight: Floats, a: float, b: float, blind: float) -> float:
    """``chance_short`` of one slot, ``left`` and ``weight`` (Q,): the same number to the last bit, sooner."""
    if need <= CRUMB:
        return 0.0
    beyond = ceil(need - CRUMB) - 1.0
    lasts_from = b / (b + (need + blind))
    if weight.item(0) == 1.0:
        return _certain_short(left.item(0), beyond, lasts_from, a, b, blind)
    lasting = betainc(a, np.maximum(left - beyond, 0.0), lasts_from).tolist()
    alive = weight.tolist()
    if blind > 0.0:
        alive = (weight * betainc(a, np.maximum(left, 0.0), b / (b + blind))).tolist()
    short = total = 0.0
    for parts, share, living, lasts in zip(left.tolist(), weight.tolist(), alive, lasting, strict=True):
        if parts > 0.0:
            total += living
            short += living - share * lasts
    return max(short / total, 0.0) if total > 0.0 else 1.0


def _certain_short(left: float, beyond: float, lasts_from: float, a: float, b: float, blind: float) -> float:
    """One possibility only: nothing to weigh."""
    if left <= beyond or left <= 0.0:
        return 1.0
    lasts = float(betainc(a, left - beyond, lasts_from))
    if blind <= 0.0:
        return 1.0 - lasts
    alive = float(betainc(a, left, b / (b + blind)))
    return max((alive - lasts) / alive, 0.0) if alive > 0.0 else 1.0


def surely_lasts(need: float, lowest_left: float, a: float, b: float, blind: float, limit: float) -> bool:
    """Whether ``chance_short`` is certainly below ``limit``, by Cantelli's inequality, not the exact law.

    P(losses >= mean + t) <= var / (var + t²) under any law; ``lowest_left`` bounds every possibility from
    below, and that the slot feeds only lowers the chance. ``False`` means: ask exactly.
    """
    exposure = need + blind
    mean = a / b * exposure
    spread = mean * (1.0 + exposure / b)
    reserve = lowest_left - ceil(need - CRUMB) + 1.0 - mean
    clear = limit - 2.0 * ROUNDING
    return reserve > 0.0 and spread < clear * (spread + reserve * reserve)
