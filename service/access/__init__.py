"""Who asks, and whether they may: sign-in, tokens and links over the keyring, with the clock handed
in. It stands beside the use cases because it is none: nothing here is an event of the plant, and a person who
signs in changes nothing that is replayed. The rules are in ``domain.access``, HTTP is in ``web``.
"""

from service.access.door import Door, SignInRefused, TooMany
from service.access.kept import export_access, import_access
from service.access.passwords import Passwords
from service.access.register import (
    AccessError,
    end_account,
    end_links,
    end_token,
    first_token,
    make_account,
    make_token,
)
from service.access.renewed import emergency_token, end_sessions, rotate_token

__all__ = [
    "AccessError",
    "Door",
    "Passwords",
    "SignInRefused",
    "TooMany",
    "emergency_token",
    "end_account",
    "end_links",
    "end_sessions",
    "end_token",
    "export_access",
    "first_token",
    "import_access",
    "make_account",
    "make_token",
    "rotate_token",
]
