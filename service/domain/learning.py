"""What finished supplies teach: how their labels err, and how many parts they lose.

Pure arithmetic over ``history``. A part with few ends of its own leans on its kind, a kind on what holds
before anything was learned; both fade as ends come in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy.special import gammaincinv, gammaln, ndtri

from service.domain import law
from service.domain.depletion import PRIOR, Belief
from service.domain.history import End, Learned
from service.domain.law import Floats, Law

LABEL, PARTIAL, USUAL, PERSON = "label", "partial", "usual", "person"
PARTIAL_BELOW = 0.8
"""A supply that is said to hold less than this share of what its like hold was used before."""
FADE = 0.98
"""Weight of an end against the next one: half of what is known comes from the last 34."""
PSEUDO = 8
"""Ends that the law from before counts as."""
PSEUDO_GONE = 60
"""Ends after which it counts no more."""
DISAGREE = 5
"""Ends that must disagree before a tray, a stick or a person's count is doubted."""
ASTRAY = 0.2
"""An end that leaves more than this share of the supply is a mistake in the books, not a shortage, as long
as such ends are fewer than this share."""
LATELY = 6
"""Ends in a row that can show that a law has changed; what came before is then forgotten."""
ENOUGH = 20
"""Ends from which on a part has a prior of its own."""
_SHAPES: Floats = np.exp(np.linspace(np.log(0.3), np.log(30.0), 40))
_USUAL_SHAPE, _PULL = 1.5, 0.7
_SPREAD: Floats = ndtri([0.05, 0.5, 0.95])


def steps(finished: int) -> int:
    """Grows when so much was learned that laws are to be derived anew: each time at first, then by a
    twentieth to a tenth of what is known."""
    if finished < 20:
        return finished
    return 20 + (finished - 20) // 3 if finished < 98 else 46 + (finished - 98) // 10


def errors(ends: Sequence[End], basis: str, declared: int) -> tuple[Floats, Floats, np.ndarray]:
    """By how many parts each end differed from what was said, its weight and whether it was seen, (N,) each.

    In parts for supplies of about ``declared`` parts; relative to it for such as were used before, and for
    smaller supplies than those that were seen. Losses that nobody reported are added as they were expected.
    """
    said = np.array([end.declared for end in ends], dtype=np.float64)
    used = np.array([end.counted + end.hidden for end in ends], dtype=np.float64)
    seen = np.array([end.empty for end in ends], dtype=bool)
    weights = FADE ** np.arange(len(ends) - 1, -1, -1.0)
    labels = np.array([end.labels for end in ends], dtype=np.float64)
    error = (used - said) / labels
    if labels.max() > 1.0:
        # What several labels err by together is narrower for each of them than one label errs by itself.
        middle = np.average(error, weights=weights)
        error = middle + (error - middle) * np.sqrt(labels)
    hidden = np.array([end.hidden for end in ends], dtype=np.float64)
    if hidden.any():
        error = _without_chance(error, hidden, weights)
    said = said / labels
    astray = seen & (error < -ASTRAY * said)
    if 0.0 < weights[astray].sum() < ASTRAY * weights.sum():
        error, weights, seen, said = error[~astray], weights[~astray], seen[~astray], said[~astray]
    scale = declared / np.maximum(said, 1.0)
    return error * (scale if basis == PARTIAL else np.minimum(scale, 1.0)), weights, seen


def _without_chance(error: Floats, hidden: Floats, weights: Floats) -> Floats:
    """Errors drawn together by what chance adds to losses that nobody sees, as that is added again when the
    law is used: the variance of ``hidden`` expected losses is at least their number (Poisson)."""
    middle = np.average(error, weights=weights)
    variance = np.average((error - middle) ** 2, weights=weights)
    ours = max(0.25, 1.0 - np.average(hidden, weights=weights) / max(variance, 1e-9))
    return np.asarray(middle + (error - middle) * np.sqrt(ours))


def changed(ends: Sequence[End], basis: str) -> bool:
    """Whether the last ends follow another law than those before: all but one of the last six lie, on the
    same side, beyond what nine of ten used to keep. By chance that is so once in 9,000 times."""
    earlier, recent = _seen(ends[:-LATELY], basis), _seen(ends[-LATELY:], basis)
    if len(earlier) < 2 * LATELY or len(recent) < LATELY:
        return False
    low, high = np.quantile(earlier, [0.1, 0.9])
    return bool(max((recent < low).sum(), (recent > high).sum()) >= LATELY - 1)


def _seen(ends: Sequence[End], basis: str) -> Floats:
    """The errors of those that ran out, as ``errors`` has them for supplies like the last one."""
    if not ends:
        return np.zeros(0)
    values, _, seen = errors(ends, basis, ends[-1].declared)
    return np.asarray(values[seen])


def law_of(
    kind: str | None, basis: str, declared: int, of_kind: Sequence[End], of_part: Sequence[End]
) -> Law:
    """The law of a supply that is said to hold ``declared`` parts on that ``basis``, from the ends of its
    kind and of its part."""
    before = law.usual(kind, declared, exact=basis == PERSON, assumed=basis == USUAL)
    return law_after(law_after(before, basis, declared, of_kind), basis, declared, of_part)


def law_after(before: Law, basis: str, declared: int, ends: Sequence[End]) -> Law:
    """What such ends make of the law that holds where nothing is known of them: of the usual one those of a
    kind, of the kind's those of a part."""
    if not ends:
        return before
    values, weights, seen = errors(ends, basis, declared)
    known = int(seen.sum())
    if not known or (before.exact and not _disagree(values, seen)):
        return before
    values, weights, rest = law.certain(values, weights, seen)
    lean = PSEUDO * max(0.0, 1.0 - known / PSEUDO_GONE) + rest
    spread = 0.0 if before.exact else float(np.ptp(before.at(np.array([-0.5, 0.5]))))
    if lean > 0.0:
        values = np.concatenate((values, np.zeros(PSEUDO) if before.exact else before.at(_EIGHTHS)))
        weights = np.concatenate((weights, np.full(PSEUDO, lean / PSEUDO)))
    narrow = _spread(values, weights)
    doubt = min(1.0, known / PSEUDO_GONE)
    return law.from_sample(values, weights, min(spread, narrow) if spread else narrow, known, doubt)


_EIGHTHS: Floats = ndtri((np.arange(PSEUDO) + 0.5) / PSEUDO)


def _spread(values: Floats, weights: Floats) -> float:
    mean = np.average(values, weights=weights)
    return float(np.sqrt(np.average((values - mean) ** 2, weights=weights)))


def _disagree(values: Floats, seen: np.ndarray) -> bool:
    return int((np.abs(values[seen]) >= 1.0).sum()) >= DISAGREE


def belief_of(kind: str | None, of_kind: Sequence[End], of_part: Sequence[End]) -> Belief:
    """Where the belief of the loss odds starts: the kind's, with the part's own mean where it is known."""
    return belief_of_part(_fit(PRIOR.get(kind, PRIOR[None]), of_kind), of_part)


def belief_of_part(start: Belief, ends: Sequence[End]) -> Belief:
    """The same where that of its kind is known."""
    lost, placed = _losses(ends)
    if len(lost) < ENOUGH:
        return start
    mean = (lost.sum() + start.a) / (placed.sum() + start.b)
    return Belief(start.a, start.a / float(mean))


def _losses(ends: Sequence[End]) -> tuple[Floats, Floats]:
    """Lost and placed parts of each end; one that lost more than a fifth had a fault and is no rule. Where
    losses were not reported, what is missing at the end is taken
    for them; such ends count only where there are no others."""
    told = [
        (end.lost, end.counted - end.lost)
        for end in ends
        if end.lost is not None and end.lost < ASTRAY * end.counted
    ]
    if len(told) < DISAGREE:
        told += [
            (max(0, end.declared - end.counted), end.counted)
            for end in ends
            if end.lost is None and end.empty and end.counted > (1.0 - ASTRAY) * end.declared
        ]
    lost, placed = np.array(told, dtype=np.float64).reshape(-1, 2).T
    return lost, placed


def _fit(before: Belief, ends: Sequence[End]) -> Belief:
    """The Gamma law of the loss odds over supplies: the shape by maximum likelihood of the negative binomial
    numbers of losses, pulled towards 1.5, the mean by the sums, with ``before`` as some supplies more."""
    lost, placed = _losses(ends)
    if not len(lost):
        return before
    more = PSEUDO * max(0.0, 1.0 - len(lost) / PSEUDO_GONE) * placed.mean()
    mean = (lost.sum() + before.odds * more + before.a) / (placed.sum() + more + before.b)
    a = _SHAPES[:, None]
    b = a / mean
    log_likelihood = (
        gammaln(a + lost) - gammaln(a) + a * np.log(b / (b + placed)) + lost * np.log(placed / (b + placed))
    )
    pull = -0.5 * (np.log(_SHAPES / _USUAL_SHAPE) / _PULL) ** 2
    shape = float(_SHAPES[int(np.argmax(log_likelihood.sum(axis=1) + pull))])
    return Belief(shape, shape / float(mean))


def summary(learned: Learned, law: Callable[[str, int], Law], belief: Belief) -> dict[str, object]:
    """What was learned of one kind or part, for a person to read: by basis of the quantity how many ends were
    seen and by how many parts a usual supply differs; parts lost in a thousand.

    ``law`` gives the law of a basis for a supply of so many parts, ``belief`` is where its losses start.
    """
    lost, _ = _losses([end for ends in learned.ends.values() for end in ends])
    low, high = gammaincinv(belief.a, [0.05, 0.95]) / belief.b
    return {
        "kind": learned.kind,
        "part": learned.part,
        "finished": learned.finished,
        "loss_rate": {"low": _rate(low), "usual": _rate(belief.odds), "high": _rate(high)}
        if len(lost)
        else None,
        "bases": [
            _basis(basis, ends, law(basis, int(np.median([end.declared for end in ends]))))
            for basis, ends in sorted(learned.ends.items())
        ],
    }


def _rate(odds: float) -> float:
    return float(odds / (1.0 + odds))


def _basis(basis: str, ends: Sequence[End], law: Law) -> dict[str, object]:
    low, middle, high = np.rint(law.at(_SPREAD)).tolist()
    return {
        "basis": basis,
        "ends": len(ends),
        "empties": sum(end.empty for end in ends),
        "shortage": {"p05": low, "p50": middle, "p95": high} if law.ends else None,
    }
