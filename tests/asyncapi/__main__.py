"""Writes ``deploy/asyncapi.yaml`` anew."""

from tests.asyncapi.document import FILE, document, written

FILE.write_text(written(document()), encoding="utf-8")
