"""What each kind of exchange asks of hands: the cautions, always the same and always first, then the steps.

The steps are common practice (no source) until the configuration says others; the cautions stay. Short enough
to be read by whoever must follow them.
"""

from __future__ import annotations

from collections.abc import Mapping

from service.domain.policy import Policy, care_for
from service.domain.said import Said

JOINED, LOADED = "joined", "loaded"

FIRST = Said("The machine's manual and your site's rules come first. Only if you are trained for it.")
AT_BOUNDARY = Said("Stop at the end of the panel and wait for the boundary. This page stops no machine.")
IF_STOPPED = Said(
    "If it must stand still for it: stop at the end of the panel, wait for the boundary. This page stops no"
    " machine."
)
NEVER = Said("Never use the emergency stop or the drive switch for a refill.")
GUARDS = Said("Close the guards before restart.")

_COMPARE = Said("Compare part and lot with the label.")
_STEPS: Mapping[tuple[str | None, str], tuple[Said, ...]] = {
    ("tape", JOINED): (
        _COMPARE,
        Said("Cut both tapes straight, between two pockets."),
        Said("Join them so that holes and pockets keep their distance; join the cover tapes too."),
        Said("Pull the joint through gently: nothing may stand up or come apart."),
    ),
    ("tape", LOADED): (
        _COMPARE,
        Said("Take the feeder out only when the machine lets you."),
        Said("Thread the tape, peel back the cover tape, bring the first part to the pick position."),
        Said("Push the feeder in until it locks."),
    ),
    ("tray", LOADED): (
        _COMPARE,
        Said("Turn the tray so that its marked corner lies where it did before."),
        Said("Lay it flat against the stop; no part may stand up."),
        Said("If it isn't full, set its first cell at the machine."),
    ),
    ("stick", LOADED): (
        _COMPARE,
        Said("Look at the parts: first pin to the marked side."),
        Said("Take out the plug, slide the stick in, see that the parts move."),
    ),
    ("bulk", LOADED): (
        _COMPARE,
        Said("Only the same part and a lot that may be mixed."),
        Said("Fill no higher than the mark, close the case."),
    ),
    (None, LOADED): (_COMPARE,),
}
CHANGES: Mapping[str | None, tuple[str, ...]] = {"tape": (JOINED, LOADED)}
"""How a kind of supply can be exchanged, the usual way first."""


def changes_of(kind: str | None, *, empty: bool) -> tuple[str, ...]:
    """The ways to exchange it; a tape that ran out can't be joined to any more."""
    ways = CHANGES.get(kind, (LOADED,))
    return tuple(reversed(ways)) if empty else ways


def cautions(*, boundary_only: bool) -> tuple[Said, ...]:
    """What is said before any step, whatever is configured."""
    return FIRST, AT_BOUNDARY if boundary_only else IF_STOPPED, NEVER, GUARDS


def steps(policy: Policy, *, line: str, station: str, kind: str | None, change: str) -> tuple[Said, ...]:
    """The configured steps of such an exchange, else the usual ones."""
    own = care_for(policy, line=line, station=station, kind=kind, change=change)
    if own is not None:
        return tuple(Said("{step}", {"step": step}) for step in own)
    return _STEPS.get((kind, change)) or _STEPS[None, LOADED]
