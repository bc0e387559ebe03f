"""The ways out: webhook, chat and email. Each sends one delivery within its deadline and never raises."""

from service.outlets.build import OutletError, build_outlet
from service.outlets.links import Key

__all__ = ["Key", "OutletError", "build_outlet"]
