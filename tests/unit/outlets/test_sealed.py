"""What only one browser can read, and who says it sent it: RFC 8291 and RFC 8292 against values and checks
from outside the project."""

from __future__ import annotations

import base64
import json

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from py_vapid import Vapid02

from service.domain.model import SECOND
from service.outlets.sealed import LARGEST, Signature, check_keys, make_signing_key, sealed
from tests.support.phones import Handset, encoded, opened

NOW = 1_772_431_200 * SECOND
KEY = (7).to_bytes(32, "big")


def raw(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def private(text: str) -> ec.EllipticCurvePrivateKey:
    return ec.derive_private_key(int.from_bytes(raw(text), "big"), ec.SECP256R1())


# RFC 8291, Appendix A.
PLAIN = b"When I grow up, I want to be a watermelon"
UA_PUBLIC = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
UA_PRIVATE = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
AUTH = "BTBZMqHH6r4Tts7J_aSIgg"
AS_PRIVATE = "yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"
SALT = "DGv6ra1nlYgDCS1FRnbzlw"
BODY = (
    "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl"
    "7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
)


def test_a_message_is_that_of_rfc_8291_appendix_a_byte_for_byte() -> None:
    body = sealed(PLAIN, p256dh=raw(UA_PUBLIC), auth=raw(AUTH), salt=raw(SALT), key=private(AS_PRIVATE))
    assert encoded(body) == BODY
    assert len(body) == 144


def test_the_browser_of_these_tests_reads_what_rfc_8291_appendix_a_wrote() -> None:
    assert opened(raw(BODY), private(UA_PRIVATE), raw(AUTH)) == PLAIN


def test_no_two_messages_have_a_salt_or_a_key_in_common() -> None:
    """RFC 8291, 3: a new key pair for each message; the header holds the salt, then the key."""
    phone = Handset("https://push.example/a")
    bodies = [sealed(PLAIN, p256dh=phone.public, auth=phone.auth) for _ in range(3)]
    assert len({body[:16] for body in bodies}) == len({body[21:86] for body in bodies}) == 3
    assert [opened(body, phone.private, phone.auth) for body in bodies] == [PLAIN] * 3


def test_the_largest_message_fits_what_every_push_service_takes_and_a_larger_one_is_none() -> None:
    """RFC 8030, 7.2: a service takes at least 4096 bytes."""
    phone = Handset("https://push.example/a")
    body = sealed(b"x" * LARGEST, p256dh=phone.public, auth=phone.auth)
    assert len(body) == 4096
    assert opened(body, phone.private, phone.auth) == b"x" * LARGEST
    with pytest.raises(ValueError, match="3993"):
        sealed(b"x" * (LARGEST + 1), p256dh=phone.public, auth=phone.auth)


@pytest.mark.parametrize(
    ("p256dh", "auth", "why"),
    [
        (raw(UA_PUBLIC), b"short", "auth has 16 bytes"),
        (raw(UA_PUBLIC)[:33], raw(AUTH), "65 bytes"),
        (b"\x02" + raw(UA_PUBLIC)[1:], raw(AUTH), "65 bytes"),
        (b"\x04" + b"\x01" * 64, raw(AUTH), "no point of P-256"),
    ],
)
def test_keys_that_no_browser_makes_are_told_apart(p256dh: bytes, auth: bytes, why: str) -> None:
    check_keys(raw(UA_PUBLIC), raw(AUTH))
    with pytest.raises(ValueError, match=why):
        check_keys(p256dh, auth)


def parts(header: str) -> tuple[str, str]:
    scheme, _, rest = header.partition(" ")
    assert scheme == "vapid"
    named = dict(each.strip().split("=", 1) for each in rest.split(","))
    return named["t"], named["k"]


def test_who_sends_is_said_by_a_signed_token_for_the_origin_of_the_endpoint() -> None:
    """RFC 8292, 2 and 3: `aud` is the push service's origin, `exp` at most 24 hours ahead, ES256 (RFC 7518,
    3.4: the two numbers of the signature, 32 bytes each), `k` the public key. Checked by bare primitives."""
    signature = Signature(KEY, "mailto:line@plant.example")
    token, key = parts(signature.header("https://push.example:8443/send/abc?x=1", NOW))
    head, claims, signed = token.split(".")
    assert json.loads(raw(head)) == {"typ": "JWT", "alg": "ES256"}
    said = json.loads(raw(claims))
    assert said["aud"] == "https://push.example:8443"
    assert said["sub"] == "mailto:line@plant.example"
    assert 0 < said["exp"] - NOW // SECOND <= 24 * 3600
    assert key == signature.public
    point = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), raw(key))
    numbers = raw(signed)
    assert len(numbers) == 64
    r, s = (int.from_bytes(half, "big") for half in (numbers[:32], numbers[32:]))
    der = encode_dss_signature(r, s)
    point.verify(der, f"{head}.{claims}".encode(), ec.ECDSA(hashes.SHA256()))
    with pytest.raises(InvalidSignature):
        point.verify(der, f"{head}.{claims}x".encode(), ec.ECDSA(hashes.SHA256()))
    assert Vapid02.verify(signature.header("https://push.example/a", NOW))


def test_a_token_serves_its_origin_until_it_is_near_its_end() -> None:
    signature = Signature(KEY, "mailto:line@plant.example")
    first = signature.header("https://push.example/a", NOW)
    assert signature.header("https://push.example/b", NOW + 3600 * SECOND) == first
    assert signature.header("https://other.example/b", NOW) != first
    later = signature.header("https://push.example/a", NOW + 11 * 3600 * SECOND)
    assert later != first
    back = signature.header("https://push.example/a", NOW - 48 * 3600 * SECOND)
    assert json.loads(raw(parts(back)[0].split(".")[1]))["exp"] <= NOW // SECOND - 24 * 3600


def test_a_signing_key_is_new_and_never_shown() -> None:
    one, other = make_signing_key(), make_signing_key()
    assert len(one) == len(other) == 32
    assert one != other
    shown = repr(Signature(one, "mailto:line@plant.example"))
    assert one.hex() not in shown
    assert str(one) not in shown
