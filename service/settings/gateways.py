"""The kinds of ``[[source]]``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from service.settings.gateway import NativeSource

Source = Annotated[NativeSource, Field()]
"""Each format adds its own, told apart by ``format``."""
