"""The settings: one frozen, typed object, read once at the start from a file, the environment and secret
files. ``load`` is the only way in; it reports everything that is wrong at once. Adapters never see this
package: the composition root hands them plain arguments.
"""

from service.settings.broker import Mqtt
from service.settings.gateways import Source
from service.settings.loading import SettingsError, load
from service.settings.people import Route
from service.settings.sections import Settings, Site, SlotRule, Store, TowerRule, Warn, WarnRule, Web
from service.settings.telling import Chat, Email, Other, Outlet, Push, Webhook

__all__ = [
    "Chat",
    "Email",
    "Mqtt",
    "Other",
    "Outlet",
    "Push",
    "Route",
    "Settings",
    "SettingsError",
    "Site",
    "SlotRule",
    "Source",
    "Store",
    "TowerRule",
    "Warn",
    "WarnRule",
    "Web",
    "Webhook",
    "load",
]
