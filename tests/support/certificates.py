"""Certificates made for one test: an authority, what it signs, and everything that may be wrong with them."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import trustme


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A certificate with its chain and its key, as files."""

    cert: str
    key: str

    def server(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.cert, self.key)
        return context


class Authority:
    """Signs whatever it is asked to. Its own certificate is the file ``ca_file``."""

    def __init__(self, folder: Path, name: str = "plant") -> None:
        self._folder = folder
        self._ca = trustme.CA(organization_name=name)
        self._made = 0
        self.ca_file = str(folder / f"{name}-ca.pem")
        self._ca.cert_pem.write_to_path(self.ca_file)

    def sign(self, *names: str, days: float = 2.0) -> Pair:
        """For host names and addresses (127.0.0.1 and localhost unless given); expired when ``days`` < 0."""
        self._made += 1
        leaf = self._ca.issue_cert(
            *(names or ("127.0.0.1", "localhost")),
            not_before=datetime.now(UTC) - timedelta(days=10),
            not_after=datetime.now(UTC) + timedelta(days=days),
        )
        pair = Pair(
            cert=str(self._folder / f"{self._made}-cert.pem"), key=str(self._folder / f"{self._made}-key.pem")
        )
        self.write(pair, leaf)
        return pair

    def replace(self, pair: Pair, *names: str) -> None:
        """A new certificate and key in the files of ``pair``."""
        self.write(pair, self._ca.issue_cert(*(names or ("127.0.0.1", "localhost"))))

    @staticmethod
    def write(pair: Pair, leaf: trustme.LeafCert) -> None:
        chain = b"".join(blob.bytes() for blob in leaf.cert_chain_pems)
        Path(pair.cert).write_bytes(chain)
        Path(pair.key).write_bytes(leaf.private_key_pem.bytes())
