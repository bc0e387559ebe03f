"""Delivers what the outbox holds: the loop, the bell that wakes it, and what a delivery says."""

from service.usecases.deliver.attempt import Attempt, StoreTrouble
from service.usecases.deliver.bell import Bell
from service.usecases.deliver.loop import deliver
from service.usecases.deliver.telling import Telling, telling
from service.usecases.deliver.tray import OutTray

__all__ = ["Attempt", "Bell", "OutTray", "StoreTrouble", "Telling", "deliver", "telling"]
