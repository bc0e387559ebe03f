"""From the settings to what reaches outside: the broker, the outlets, the web server's certificate. Secrets
are opened here and nowhere else.
"""

from __future__ import annotations

import ssl
from collections.abc import Collection, Mapping
from typing import Any

from pydantic import SecretStr

from service.domain.shards import Shard
from service.language import speak
from service.mqtt.client import Broker
from service.outlets import Key, Monitor, OutletError, Way, build_outlet
from service.phones import Phones
from service.ports import Outlet
from service.settings import Mqtt, Settings, Source
from service.tls import TlsFileError, client_context
from service.web.server import Certificate
from service.wire.gateway import Translator


def broker(settings: Settings) -> Broker:
    """That of ``[mqtt]``, as our shard of several."""
    return _broker(settings.mqtt, share=settings.share)


def source_broker(settings: Settings, source: Source) -> Broker:
    """That of a source, and as which host we are there (Sparkplug)."""
    mqtt = settings.mqtt.of_source(source)
    return _broker(mqtt, share=settings.share, host_id=source.host_under(mqtt.client_id))


def translators(settings: Settings) -> Mapping[str, Translator]:
    """What turns the messages of each source that counts into ours. Raises ``ValueError``."""
    return {each.name: each.translator(settings.site.timezone) for each in settings.counting}


def contracts_elsewhere(settings: Settings) -> Collection[str]:
    """The sources whose gateways speak our own contract at another broker than that of ``[mqtt]``."""
    own = settings.mqtt
    heard = {each.name: own.of_source(each) for each in settings.counting if each.roots}
    return [name for name, there in heard.items() if (there.host, there.port) != (own.host, own.port)]


def _broker(mqtt: Mqtt, *, share: Shard | None, host_id: str | None = None) -> Broker:
    # The catch-all is who was there before: it keeps its session. Every other is somebody of its own.
    suffix = "" if share is None or share.catches_all else f"-{share.name}"

    def tls() -> ssl.SSLContext:
        return client_context(mqtt.ca_file, mqtt.cert_file, mqtt.key_file)

    return Broker(
        host=mqtt.host,
        port=mqtt.port,
        client_id=mqtt.client_id + suffix,
        username=mqtt.username,
        password=None if mqtt.password is None else mqtt.password.get_secret_value(),
        protocol=mqtt.protocol,
        tls=tls if mqtt.tls else None,
        host_id=None if host_id is None else host_id + suffix,
    )


def outlets(
    settings: Settings, port: int, *, key: Key | None = None, phones: Phones | None = None
) -> Mapping[str, Outlet]:
    """Every outlet by its name; ``port`` is the web server's, ``key`` gives what links carry, ``phones`` who
    hears those for phones. Raises ``OutletError``."""
    return {each.name: outlet(settings, each.name, port, key=key, phones=phones) for each in settings.outlets}


def outlet(
    settings: Settings, name: str, port: int, *, key: Key | None = None, phones: Phones | None = None
) -> Outlet:
    """The outlet of that name. Raises ``OutletError``; ``KeyError``: there is none."""
    common: dict[str, Any] = {
        "site": settings.site.name,
        "public_url": settings.web.public_url or web_address(settings, port),
        "timezone": settings.site.timezone,
        "key": key,
        "phones": phones,
    }
    chosen = {each.name: each for each in settings.outlets}[name]
    language = speak(chosen.language or settings.site.language, settings.site.languages)
    return build_outlet(**_plain(chosen) | common | {"language": language})


def routed(settings: Settings) -> frozenset[str]:
    """The outlets that something may go to: without any route all of them."""
    if not settings.routes:
        return frozenset(each.name for each in settings.outlets)
    asked = {name for route in settings.routes for name in (*route.people, *route.escalate_to)}
    asked |= {name for duty in settings.duties if duty.roster in asked for name in duty.people}
    by_people = {name for each in settings.people if each.name in asked for name in each.outlets}
    daily = {
        *(settings.heartbeat.outlets or ()),
        *(name for each in settings.digests for name in each.outlets),
    }
    return frozenset(name for route in settings.routes for name in route.outlets) | by_people | daily


def monitor(settings: Settings) -> Monitor | None:
    """Whom we tell that we live; ``None``: nobody is configured. Raises ``OutletError``."""
    beat = settings.heartbeat
    if beat.url is None:
        return None
    way = Way(ca_file=beat.ca_file, allow=beat.allow)
    try:
        return Monitor(beat.url.get_secret_value(), method=beat.method, way=way)
    except ValueError as error:
        raise OutletError(f"heartbeat: {error}") from None


def certificate(settings: Settings) -> Certificate | None:
    """What the web server shows; ``None``: plain HTTP. Raises ``TlsFileError``."""
    web = settings.web
    return None if web.tls_cert is None else Certificate(web.tls_cert, web.tls_key)


def certificates(settings: Settings) -> Mapping[str, str]:
    """The files of the certificates that we show to others, by what they are for."""
    own = {"web": settings.web.tls_cert, "mqtt": settings.mqtt.cert_file}
    sources = {each.name: settings.mqtt.of_source(each).cert_file for each in settings.counting}
    return {name: file for name, file in (sources | own).items() if file is not None}


def web_address(settings: Settings, port: int) -> str:
    """Where our own server is, as seen from this machine."""
    host = settings.web.host
    scheme = "http" if settings.web.tls_cert is None else "https"
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}"


def problems(settings: Settings) -> list[str]:
    """What of all this can't be used, without connecting to anything."""
    found = []
    brokers = {"mqtt": broker(settings)}
    brokers |= {f"source {each.name}": source_broker(settings, each) for each in settings.sources}
    for what, make in (
        *((f"{name}: ", there.tls) for name, there in brokers.items() if there.tls is not None),
        ("web: ", lambda: certificate(settings)),
        ("", lambda: outlets(settings, settings.web.port)),
        ("", lambda: monitor(settings)),
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
