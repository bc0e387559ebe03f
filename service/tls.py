"""How we speak TLS: whom we trust, who we are, and in our own words why a certificate was refused.

Version 1.2 at least. Errors name the file and never what is in it.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable
from pathlib import Path

from cryptography import x509

# OpenSSL's X509_V_ERR_ numbers; Python gives them no names.
_VERIFY = {
    9: "isn't valid yet",
    10: "has expired",
    23: "was revoked",
    62: "is for another host name",
    64: "is for another address",
}
_UNTRUSTED = "isn't trusted: we don't know the authority that signed it"


class TlsFileError(ValueError):
    """A file that TLS needs can't be used; the text names it and says why."""


def client_context(
    ca_file: str | None = None, cert_file: str | None = None, key_file: str | None = None
) -> ssl.SSLContext:
    """For connections of ours: they trust the system's authorities, or those in ``ca_file`` alone, and show
    the certificate in ``cert_file`` where there is one. Raises ``TlsFileError``."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if ca_file is None:
        context.load_default_certs()
    else:
        _load(ca_file, lambda: context.load_verify_locations(cafile=ca_file))
    if cert_file is not None:
        _load_chain(context, cert_file, key_file)
    return context


def server_context(cert_file: str, key_file: str | None = None) -> ssl.SSLContext:
    """For connections of others. Raises ``TlsFileError``."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    _load_chain(context, cert_file, key_file)
    return context


def renew(context: ssl.SSLContext, cert_file: str, key_file: str | None = None) -> None:
    """Show what the files hold now at the next handshakes. A pair that doesn't fit (one is still being
    written) raises ``TlsFileError`` and changes nothing."""
    server_context(cert_file, key_file)
    _load_chain(context, cert_file, key_file)


def certificate_reason(error: ssl.SSLCertVerificationError) -> str:
    """What is wrong with the other side's certificate."""
    return f"its TLS certificate {_VERIFY.get(error.verify_code, _UNTRUSTED)}"


def expires(cert_file: str) -> float:
    """When the certificate in the file is over, in Unix seconds; of a chain the first that is. Raises
    ``TlsFileError``."""
    _readable(cert_file)
    try:
        chain = x509.load_pem_x509_certificates(Path(cert_file).read_bytes())
    except ValueError:
        raise TlsFileError(f"{cert_file}: holds no certificate") from None
    return min(each.not_valid_after_utc.timestamp() for each in chain)


def _load_chain(context: ssl.SSLContext, cert_file: str, key_file: str | None) -> None:
    def no_password() -> str:
        raise TlsFileError(
            f"{key_file or cert_file}: the key wants a password (keep it without one, mode 0400)"
        )

    name = cert_file if key_file is None else f"{cert_file} with {key_file}"
    for file in filter(None, (cert_file, key_file)):
        _readable(file)
    _load(name, lambda: context.load_cert_chain(cert_file, key_file, password=no_password))


def _load(name: str, load: Callable[[], None]) -> None:
    try:
        load()
    except ssl.SSLError as error:
        mismatch = "KEY_VALUES_MISMATCH" in (error.reason or "")
        what = "certificate and key don't belong together" if mismatch else "holds nothing that TLS can use"
        raise TlsFileError(f"{name}: {what}") from None
    except OSError as error:
        raise TlsFileError(f"{name}: can't be read ({error.strerror})") from None


def _readable(name: str) -> None:
    try:
        Path(name).read_bytes()
    except OSError as error:
        raise TlsFileError(f"{name}: can't be read ({error.strerror})") from None
