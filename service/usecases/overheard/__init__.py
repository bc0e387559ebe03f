"""What is said at a broker that nobody explained to us: gathered, guessed at, and drafted as settings.

Pure: it is fed with topics and payloads, and keeps little of them.
"""

from service.usecases.overheard.draft import draft_of
from service.usecases.overheard.gather import Overheard
from service.usecases.overheard.recognise import NO_BIRTH
from service.usecases.overheard.tell import as_object, lines, table

__all__ = ["NO_BIRTH", "Overheard", "as_object", "draft_of", "lines", "table"]
