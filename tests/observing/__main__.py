"""Writes the tables of ``deploy/observing.md`` and the dashboard anew."""

from tests.observing import dashboard, page

page.FILE.write_text(page.made(page.FILE.read_text(encoding="utf-8")), encoding="utf-8")
dashboard.FILE.write_text(dashboard.written(dashboard.dashboard()), encoding="utf-8")
