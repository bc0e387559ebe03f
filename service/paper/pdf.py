"""A report as PDF, A4, laid out by WeasyPrint. Nothing is fetched from anywhere, and the same report gives
the same bytes: its dates are the report's own.

WeasyPrint stands on libraries of the system (Pango and HarfBuzz); without them there is no PDF, and that is
said with the packages that bring them.
"""

from __future__ import annotations

import hashlib
import logging
from typing import Any, NoReturn

import msgspec

from service.language import ENGLISH, Language
from service.paper.document import document

Json = dict[str, Any]
PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core"


_CHATTY = ("weasyprint", "weasyprint.progress", "fontTools")
"""They tell each step, and each property that is for screens."""


class NoPdf(Exception):
    """A PDF can't be made here; the text says what is missing."""


def pdf(report: Json, language: Language = ENGLISH) -> bytes:
    """Raises ``NoPdf`` where the system lacks what it takes."""
    return laid_out(document(report, language, paper=True), name=identifier(report))


def laid_out(html: str, *, name: bytes) -> bytes:
    """Any document of ours. ``name`` is its identifier in the PDF."""
    for each in _CHATTY:
        logging.getLogger(each).setLevel(logging.ERROR)
    try:
        import weasyprint  # noqa: PLC0415 - it takes a second to load and libraries that not everybody has
    except OSError as error:
        raise NoPdf(f"no PDF without the system's libraries ({error}); install {PACKAGES}") from None

    class Nothing(weasyprint.URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: dict[str, str] | None = None) -> NoReturn:
            raise ValueError("a report fetches nothing")

    page = weasyprint.HTML(string=html, url_fetcher=Nothing(), base_url=None)
    made = page.write_pdf(pdf_identifier=name, pdf_tags=True)
    if made is None:
        raise NoPdf("nothing was laid out")
    return bytes(made)


def identifier(report: Json) -> bytes:
    """The same for the same report."""
    return hashlib.sha256(msgspec.json.encode(report, order="sorted")).digest()[:16]
