"""Every word that a log line can have as its ``action``: when it is said, with what, and what to do then.

``deploy/observing.md`` is made of this; a test holds it equal to what the code says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import structlog

Severity = Literal["debug", "info", "warning", "error"]


@dataclass(frozen=True, slots=True)
class Action:
    """``levels``: at which it is said. ``fields``: all that may stand beside it, apart from ``at``, ``level``
    and, while a request is served, ``request``."""

    levels: tuple[Severity, ...]
    fields: tuple[str, ...]
    means: str
    do: str = ""


def _info(fields: str, means: str, do: str = "") -> Action:
    return Action(("info",), tuple(fields.split()), means, do)


def _warning(fields: str, means: str, do: str) -> Action:
    return Action(("warning",), tuple(fields.split()), means, do)


def _error(fields: str, means: str, do: str) -> Action:
    return Action(("error",), tuple(fields.split()), means, do)


_ORIGIN = "event_id event_kind event_at subject source topic session seq request"

ACTIONS: Mapping[str, Action] = {
    "started": _info("web slots_known", "The program runs and serves its page."),
    "word_missed": _warning(
        "shard",
        "Some of what another shard told of ends and named supplies was gone before we heard it.",
        "Named supplies that moved meanwhile count as full when they are loaded here: count them.",
    ),
    "stopped": _info(
        "failed", "It ended; `failed` says of what, null: as it was told to.", "A reason: look above it."
    ),
    "in_charge": _info("instance term", "This instance hears, decides and sends from now on."),
    "deposed": _error(
        "instance reason",
        "Another instance took over, or the store couldn't be asked in time; this one ends.",
        "Runbook nobody-in-charge, where it comes again.",
    ),
    "thread_died": _error(
        "thread exception",
        "A defect; the program ends with exit code 1 so that it is started anew.",
        "Report it with the exception.",
    ),
    "stuck": _error(
        "threads stacks",
        "A thread hasn't moved for a minute; the program ends with exit code 70.",
        "Report it with the stacks, when it comes again.",
    ),
    "first_token": _warning(
        "token role how",
        "The one secret that is ever shown here: the first start, reached from elsewhere, made it.",
        "Make accounts, then end it: `earlybell token first-run --end`.",
    ),
    "emergency_access": _warning(
        "token role until why",
        "Somebody at the machine made a token that opens everything for a while.",
        "Not one of you: somebody else is at the machine.",
    ),
    "emergency_access_used": _warning(
        "token address", "That token was used, the first time since a start.", "The same."
    ),
    "notice": _info(
        "notice version change notice_kind notice_level state line station slot because deliveries "
        + _ORIGIN,
        "A notice opened, changed, was said again or closed; with the entry that made it so and the keys of"
        " what goes out.",
    ),
    "delivery": Action(
        ("info", "warning"),
        ("outlet", "outcome", "delivery", "notice", "attempts", "seconds", "age", "disables", "error"),
        "An attempt ended: `sent`, `replaced` (over before it was told), or as a warning `waiting` (again"
        " later), `dead` (given up), `put off` (we stop), `lost` (comes again). `age`: seconds since the"
        " event was stored.",
        "`waiting` and `dead`: runbook outlet-failing.",
    ),
    "delivery_again": _info("delivery outlet notice by", "A person has a dead delivery sent again."),
    "entered": _info(
        "request event_id event_kind subject", "What a request did is the journal's entry `event_id`."
    ),
    "request": Action(
        ("debug", "info", "warning"),
        ("request", "method", "path", "answer", "who", "who_kind", "by", "address", "seconds"),
        "A request was answered: a change, or (warning) one that failed here; reads at level debug.",
        "500: a defect, report it.",
    ),
    "request_refused": _warning(
        "method answer who address times",
        "Requests were turned away (not let in, too large, too many, 503), said within bounds.",
        "401, 403, 429 from an address that you don't know: somebody tries. 503: runbook store-away.",
    ),
    "request_refused_more": _warning(
        "times", "So many more were turned away within the minute.", "The same."
    ),
    "refused": _warning(
        "topic reason source times",
        "A message didn't fit and was set aside; its repeats are counted and said once a minute.",
        "Runbook messages-refused.",
    ),
    "refused_more": _warning(
        "times", "So many more messages were refused within the minute.", "Runbook messages-refused."
    ),
    "resend_asked": _info(
        "line station session first to times given_up", "A gateway is asked for what is missing."
    ),
    "broker_connected": _info(
        "session_present source trial", "The broker let us in; the subscription follows."
    ),
    "broker_trouble": _warning(
        "reason source trial",
        "A broker isn't reached or refuses us; said once for each reason.",
        "Runbook broker-away.",
    ),
    "broker_session_lost": _warning(
        "reason source trial",
        "The broker forgot what it kept for us; what is missing is asked for again.",
        "Give the broker persistence; runbook broker-away.",
    ),
    "outbox_trouble": _warning(
        "error", "Deliveries can't be read or written; null: they can again.", "Runbook store-away."
    ),
    "outlet_tested": Action(
        ("info", "warning"),
        ("outlet", "delivered", "error", "seconds", "by"),
        "A person tested an outlet.",
        "Not delivered: runbook outlet-failing.",
    ),
    "recipient_refused": _warning(
        "outlet to reply final",
        "A mail server refused one of several recipients.",
        "`final`: correct the address.",
    ),
    "phones_ended": _info("outlet devices", "Subscriptions of phones ended; `devices` are short names."),
    "heartbeat_out_fails": _warning(
        "error", "The monitor isn't reached; said when it turns.", "Look at the monitor and the way there."
    ),
    "heartbeat_out_well": _info("", "The monitor is reached again."),
    "digest": _info("notice", "A digest went into the outbox."),
    "digest_without_losses": _error("error", "A digest goes out without one of its parts.", "Report it."),
    "plan_failed": _error(
        "line error", "A line couldn't be planned; warnings don't depend on it.", "Report it."
    ),
    "hours_rolled_up": _info("since hours", "Hourly figures were kept."),
    "hours_not_rolled_up": _warning(
        "since error", "They couldn't be; it is tried again.", "Report the error."
    ),
    "hours_far_behind": _error(
        "days journal",
        "Hourly figures are days behind, and the journal is held for them.",
        "See `hours_not_rolled_up`; runbook disk-full.",
    ),
    "pruned": _info("rows older_than_days", "What is old was forgotten."),
    "certificate_renewed": _info("", "The web server shows the new certificate."),
    "certificate_not_renewed": _warning(
        "reason", "The new certificate can't be used; the old one goes on.", "Runbook certificate-expires."
    ),
    "report_failed": _error(
        "exception", "A defect in what is counted and logged; what was decided stands.", "Report it."
    ),
    "trial_failed": _error("source exception", "A source on trial ended by a defect.", "Report it."),
    "listening_failed": _error("where exception", "Listening to a broker ended by a defect.", "Report it."),
    "replay_failed": _error("exception", "A replay ended by a defect.", "Report it."),
    "library": Action(
        ("debug", "info", "warning", "error"),
        ("logger", "message", "exception"),
        "What a library logs.",
        "As its message says.",
    ),
}


def say(word: str, **fields: Any) -> None:
    """Log it at its own level, which must be one."""
    (level,) = ACTIONS[word].levels
    getattr(structlog.get_logger(), level)(word, **fields)
