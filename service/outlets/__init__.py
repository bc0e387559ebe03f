"""The ways out: webhook, chat and email. Each sends one delivery within its deadline and never raises."""

from service.outlets.build import OutletError, build_outlet
from service.outlets.links import Key
from service.outlets.monitor import Monitor
from service.outlets.network import Way

__all__ = ["Key", "Monitor", "OutletError", "Way", "build_outlet"]
