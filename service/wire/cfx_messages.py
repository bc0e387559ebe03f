"""The messages of IPC-2591 (CFX) that say something to us, as JSON carries them: the exact fields, no more.

A message is an envelope with a body. Names are those of the standard; what is said with them is in
``wire.cfx_read``. Quantities are numbers with a fraction there (``42.0``), closed sets are words or their
numbers, ``$type`` is read where it tells one carrier from another and ignored elsewhere.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, NamedTuple
from uuid import UUID

import msgspec

from service.domain.model import Instant, from_datetime
from service.wire.native import Misfit

Name = Annotated[str, msgspec.Meta(max_length=200)] | None
Word = str | int


class Said(msgspec.Struct, rename="pascal"):
    """Fields as the standard writes them."""


class Body(Said):
    """What a message says, under the last part of its name."""


class Envelope(Said):
    message_name: str
    time_stamp: Annotated[datetime, msgspec.Meta(tz=True)] | None = None
    unique_id: UUID | None = msgspec.field(default=None, name="UniqueID")
    source: Name = None
    message_body: msgspec.Raw = msgspec.Raw()


class Package(Said):
    """One supply; ``leading_material_package``: the one that is consumed before it, spliced to it."""

    unique_identifier: Name = None
    internal_part_number: Name = None
    quantity: float | None = None
    leading_material_package: Package | None = None
    batch_id: Name = None
    grey_zone: float | None = None


class Carrier(Said):
    type: str | None = msgspec.field(default=None, name="$type")
    unique_identifier: Name = None
    base_unique_identifier: Name = None
    lane_number: int | None = None


class Location(Said):
    location_identifier: Name = None
    location_name: Name = None
    material_package: Package | None = None
    carrier_information: Carrier | None = None


class Consumed(Said):
    material_location: Location
    quantity_used: float = 0.0
    quantity_spoiled: float | None = None
    remaining_quantity: float | None = None


class MaterialsConsumed(Body):
    consumed_materials: list[Consumed]


class NonInstalled(Said):
    location: Word = 0


class Installed(Said):
    quantity_installed: float = 0.0
    quantity_non_installed: float | None = None
    material: Package | None = None
    carrier_location: Location | None = None
    non_installed_components: list[NonInstalled] | None = None


class MaterialsInstalled(Body):
    installed_materials: list[Installed]


class MaterialsEmpty(Body):
    empty_materials: list[Location]


class MaterialsLoaded(Body):
    materials: list[Location]


class GetLoadedMaterialsResponse(Body):
    materials: list[Location]


class MaterialsUnloaded(Body):
    material_package_identifiers: list[str]


class MaterialCarriersLoaded(Body):
    carriers: list[Location]


class MaterialCarriersUnloaded(Body):
    carrier_identifiers: list[str]


class MaterialsJoined(Body):
    leading_material_package: Package
    trailing_material_package: Package


class SplicePointDetected(Body):
    newly_active_material: Location
    depleted_material: Location | None = None


class MaterialsChainSplit(Body):
    remaining_material_package: Package


class MaterialsModified(Body):
    materials: list[Package]


class WorkCompleted(Body):
    result: Word


class UnitsDeparted(Body):
    pass


class Fault(Said):
    """``placement_fault_type`` and ``material_location`` are a placement machine's."""

    fault_occurrence_id: UUID | None = None
    severity: Word = 0
    placement_fault_type: Word | None = None
    material_location: Location | None = None


class StationStateChanged(Body):
    new_state: Word
    old_state: Word | None = None
    old_state_duration: str | None = None
    related_fault: Fault | None = None


class FaultOccurred(Body):
    fault: Fault


class FaultCleared(Body):
    fault_occurrence_id: UUID


class EndpointConnected(Body):
    pass


class EndpointShuttingDown(Body):
    pass


BODIES = {kind.__name__: msgspec.json.Decoder(kind) for kind in Body.__subclasses__()}
_NIL = UUID(int=0)
_END = from_datetime(datetime(9999, 1, 1, tzinfo=UTC))
_envelope = msgspec.json.Decoder(Envelope)
_envelopes = msgspec.json.Decoder(list[Envelope])


class Heard(NamedTuple):
    """One message that is for us. ``at``: when it happened; ``id``: what tells it from every other;
    ``handle``: who says it."""

    at: Instant
    id: UUID | None
    handle: str
    body: Any


def read_messages(payload: bytes) -> list[Heard]:
    """The messages in a payload, one or a list of them, in the order in which they happened; those that say
    nothing to us are left out. Raises ``Misfit``.

    A message is known by the last part of its name: the namespaces moved between revisions of the standard.
    """
    try:
        many = payload.lstrip()[:1] == b"["
        found = _envelopes.decode(payload) if many else [_envelope.decode(payload)]
        heard = [_read(each, decoder) for each in found if (decoder := _decoder_of(each.message_name))]
    except RecursionError:
        raise Misfit("the payload is nested too deeply") from None
    except (msgspec.MsgspecError, ValueError) as error:
        raise Misfit(str(error)) from None
    return sorted(heard, key=lambda each: each.at)


def _decoder_of(name: str) -> msgspec.json.Decoder[Any] | None:
    return BODIES.get(name.rpartition(".")[2]) if name.startswith("CFX.") else None


def _read(envelope: Envelope, decoder: msgspec.json.Decoder[Any]) -> Heard:
    if envelope.time_stamp is None or not bytes(envelope.message_body):
        missing = "TimeStamp" if envelope.time_stamp is None else "MessageBody"
        raise Misfit(f"{envelope.message_name}: `{missing}` is missing")
    at = from_datetime(envelope.time_stamp)
    if not 0 <= at < _END:
        raise Misfit(f"{envelope.message_name}: `TimeStamp` is before 1970 or after 9998")
    try:
        body = decoder.decode(envelope.message_body)
    except msgspec.MsgspecError as error:
        raise Misfit(f"{envelope.message_name}: {error}") from None
    name = envelope.unique_id if envelope.unique_id != _NIL else None
    return Heard(at, name, envelope.source or "", body)
