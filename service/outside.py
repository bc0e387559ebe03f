"""From the settings to what reaches outside: the broker, the outlets, the web server's certificate. Secrets
are opened here and nowhere else.
"""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from typing import Any

from pydantic import SecretStr

from service.mqtt.client import Broker
from service.outlets import Key, OutletError, build_outlet
from service.ports import Outlet
from service.settings import Settings
from service.tls import TlsFileError, client_context
from service.web.server import Certificate


def broker(settings: Settings) -> Broker:
    mqtt = settings.mqtt

    def tls() -> ssl.SSLContext:
        return client_context(mqtt.ca_file, mqtt.cert_file, mqtt.key_file)

    return Broker(
        host=mqtt.host,
        port=mqtt.port,
        client_id=mqtt.client_id,
        username=mqtt.username,
        password=None if mqtt.password is None else mqtt.password.get_secret_value(),
        protocol=mqtt.protocol,
        tls=tls if mqtt.tls else None,
    )


def outlets(settings: Settings, port: int, *, key: Key | None = None) -> Mapping[str, Outlet]:
    """Every outlet by its name; ``port`` is the web server's, ``key`` gives what links carry. Raises
    ``OutletError``."""
    common: dict[str, Any] = {
        "site": settings.site.name,
        "public_url": settings.web.public_url or web_address(settings, port),
        "timezone": settings.site.timezone,
        "key": key,
    }
    return {each.name: build_outlet(**_plain(each), **common) for each in settings.outlets}


def certificate(settings: Settings) -> Certificate | None:
    """What the web server shows; ``None``: plain HTTP. Raises ``TlsFileError``."""
    web = settings.web
    return None if web.tls_cert is None else Certificate(web.tls_cert, web.tls_key)


def web_address(settings: Settings, port: int) -> str:
    """Where our own server is, as seen from this machine."""
    host = settings.web.host
    scheme = "http" if settings.web.tls_cert is None else "https"
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}"


def problems(settings: Settings) -> list[str]:
    """What of all this can't be used, without connecting to anything."""
    found = []
    for what, make in (
        ("mqtt: ", lambda: (made := broker(settings)).tls and made.tls()),
        ("web: ", lambda: certificate(settings)),
        ("", lambda: outlets(settings, settings.web.port)),
    ):
        try:
            make()
        except (OutletError, TlsFileError) as error:
            found.append(f"{what}{error}")
    return found


def _plain(outlet: Any) -> dict[str, Any]:
    """An outlet's settings as plain arguments."""
    values = {
        name: _opened(value)
        for name in type(outlet).model_fields
        if (value := getattr(outlet, name)) is not None
    }
    return {("from_" if name == "sender" else name): value for name, value in values.items()}


def _opened(value: object) -> object:
    if isinstance(value, tuple):
        return tuple(_opened(each) for each in value)
    return value.get_secret_value() if isinstance(value, SecretStr) else value
