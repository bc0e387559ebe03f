"""Requests that nobody thought of, made from the description of the API: with every role and with none."""

from __future__ import annotations

import warnings
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.access import Entrance
from tests.support.floor import plant

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import schemathesis

FEW = settings(max_examples=60, suppress_health_check=list(HealthCheck))
ENDLESS = "/api/v1/stream"
ONLY_ASKS = "/api/v1/labels/read"
OPEN_TO_ALL = {"/healthz", "/readyz"}
ROLES = ["open", "nobody", "read", "act", "admin"]
ENTRANCES = {role: Entrance(open_here=role == "open") for role in ROLES}
SECRETS = {
    role: entrance.token(f"{role} token", role) if role in {"read", "act", "admin"} else None
    for role, entrance in ENTRANCES.items()
}
ENTRANCES["nobody"].token("somebody", "admin")
APPS = {role: plant(door=ENTRANCES[role].door, public_url=None)[0] for role in ROLES}


def described() -> list[Any]:
    """The calls, as an administrator reads of them."""
    schema = schemathesis.openapi.from_asgi("/openapi.json", APPS["open"])
    found = [each.ok() for each in schema.get_all_operations()]  # type: ignore[union-attr]
    return [operation for operation in found if operation.path != ENDLESS]


OPERATIONS = described()


def test_every_call_is_tried() -> None:
    assert len(OPERATIONS) >= 15
    assert {operation.method.upper() for operation in OPERATIONS} == {"GET", "POST"}


@pytest.mark.parametrize("role", ROLES)
def test_any_request_gets_an_answer_that_its_role_may_have(role: str) -> None:
    """No defect of ours, nothing to read without the role, nothing done without it."""
    secret = SECRETS[role]

    @FEW
    @given(data=st.data())
    def ask(data: Any) -> None:
        operation = data.draw(st.sampled_from(OPERATIONS))
        case = data.draw(operation.as_strategy())
        headers = {} if secret is None else {"authorization": f"Bearer {secret}"}
        ENTRANCES[role].wait(1)
        answer = case.call(app=APPS[role], headers=headers)
        where = f"{operation.method} {operation.path}: {answer.status_code}"
        assert answer.status_code < 500, where
        if role == "open" or operation.path in OPEN_TO_ALL:
            return
        if role == "nobody":
            assert answer.status_code in {401, 403}, where
        if role == "read" and operation.method.upper() == "POST" and operation.path != ONLY_ASKS:
            assert answer.status_code in {401, 403}, where
        if role != "admin" and operation.path == "/api/v1/audit":
            assert answer.status_code in {401, 403}, where

    ask()
