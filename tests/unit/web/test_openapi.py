"""The description of the API tells what the API does."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.fixture
def described(client: Any) -> dict[str, Any]:
    answer = client.get("/openapi.json")
    assert answer.status_code == 200
    described: dict[str, Any] = answer.json()
    return described


def test_every_call_of_the_contract_is_described(described: dict[str, Any]) -> None:
    calls = {f"{verb.upper()} {path}" for path, verbs in described["paths"].items() for verb in verbs}
    assert calls >= {
        "GET /healthz",
        "GET /readyz",
        "GET /metrics",
        "GET /api/v1/lines",
        "GET /api/v1/lines/{line}/slots",
        "POST /api/v1/lines/{line}/stations/{station}/slots/{slot}/supply",
        "GET /api/v1/lines/{line}/stations/{station}/slots/{slot}",
        "GET /api/v1/notices",
        "POST /api/v1/notices/{notice_id}/take",
        "POST /api/v1/notices/{notice_id}/quiet",
        "POST /api/v1/notices/{notice_id}/close",
        "GET /api/v1/events",
        "GET /api/v1/refused",
        "GET /api/v1/record",
        "GET /api/v1/budget",
        "GET /api/v1/learned",
        "GET /api/v1/stream",
        "POST /api/v1/labels/read",
    }


def test_what_a_call_answers_is_described_field_by_field(described: dict[str, Any]) -> None:
    answers = described["paths"]["/api/v1/lines/{line}/slots"]["get"]["responses"]
    shape = answers["200"]["content"]["application/json"]["schema"]
    assert shape["items"] == {"$ref": "#/components/schemas/SlotForecast"}
    fields = described["components"]["schemas"]["SlotForecast"]["properties"]
    assert fields.keys() >= {
        "line", "station", "slot", "kind", "part", "lot", "remaining", "usage_per_panel", "usage_source",
        "loss_rate", "panels_to_empty", "empty_at", "lead_panels", "chance", "state", "as_of",
        "boundary_only", "counted", "assumed",
    }  # fmt: skip


@pytest.mark.parametrize("verb", ["take", "quiet", "close"])
def test_every_failure_a_person_can_meet_is_described(described: dict[str, Any], verb: str) -> None:
    call = described["paths"][f"/api/v1/notices/{{notice_id}}/{verb}"]["post"]
    assert call["responses"].keys() >= {"200", "404", "409", "422", "503"}
    assert call["requestBody"]["content"]["application/json"]["schema"]["required"][0] == "by"


def test_the_supply_call_describes_its_body_and_its_key(described: dict[str, Any]) -> None:
    call = described["paths"]["/api/v1/lines/{line}/stations/{station}/slots/{slot}/supply"]["post"]
    assert call["requestBody"]["content"]["application/json"]["schema"]["required"] == ["change"]
    assert "idempotency-key" in {parameter["name"] for parameter in call["parameters"]}


def test_pages_are_no_part_of_the_api(described: dict[str, Any]) -> None:
    assert "/" not in described["paths"]
