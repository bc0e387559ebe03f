"""What a mail server's answers mean for a delivery, and how they are told: by numbers, not by its words."""

from __future__ import annotations

import re

import aiosmtplib

from service.outlets.reasons import network_reason


def is_for_good(reply: aiosmtplib.SMTPResponse) -> bool:
    """No such mailbox (RFC 3463: X.1.X, X.2.1). Other 5xx, such as a blocked relay, are mended by people."""
    if not 500 <= reply.code < 600:
        return False
    status = _enhanced(reply)
    if status is None:
        return reply.code in {550, 551, 553}
    return status.startswith("5.1.") or status == "5.2.1"


def _enhanced(reply: aiosmtplib.SMTPResponse) -> str | None:
    found = re.match(r"[245]\.\d{1,3}\.\d{1,3}", reply.message)
    return found.group() if found else None


def numbers(reply: aiosmtplib.SMTPResponse) -> str:
    """The numbers only: the server's words may be about anything."""
    status = _enhanced(reply)
    return f"{reply.code} {status}" if status else str(reply.code)


def mail_reason(error: Exception) -> str:
    if isinstance(error, aiosmtplib.SMTPAuthenticationError):
        return f"the mail server refused the login ({error.code})"
    if isinstance(error, aiosmtplib.SMTPSenderRefused):
        return f"the mail server refused the sender ({error.code})"
    if isinstance(error, aiosmtplib.SMTPDataError):
        return f"the mail server refused the message ({error.code})"
    if isinstance(error, aiosmtplib.SMTPResponseException):
        return f"the mail server answered {error.code}"
    if reason := network_reason(error):
        return f"mail server: {reason}"
    if isinstance(error, aiosmtplib.SMTPConnectError):
        return "can't connect to the mail server"
    if isinstance(error, aiosmtplib.SMTPServerDisconnected):
        return "the mail server closed the connection"
    if isinstance(error, aiosmtplib.SMTPException) and "STARTTLS" in error.message:
        return "the mail server offers no STARTTLS, which smtp+starttls:// demands"
    if isinstance(error, aiosmtplib.SMTPException) and "AUTH" in error.message:
        return "the mail server offers no login"
    return f"unexpected {type(error).__name__}"
