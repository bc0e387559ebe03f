"""The bill of materials of what is shipped, as CycloneDX 1.6 in JSON, from ``requirements.lock``.

Made at a release (``make sbom``), not kept in the repository: it says nothing that the lock doesn't. The same
lock gives the same bytes. Python's packages only; what is in an image beside them, its scanner lists.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import cyclonedx
import jsonschema_rs
from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model import HashAlgorithm, HashType
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from packageurl import PackageURL
from packaging.requirements import Requirement
from packaging.utils import NormalizedName, canonicalize_name

from tests.supplied.licences import licence_of
from tests.supplied.locked import ROOT, RUNTIME, pins

_SCHEMAS = Path(cyclonedx.__file__).parent / "schema" / "_res"


def bill() -> str:
    """The document."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    packages = pins(RUNTIME)
    licences = LicenseFactory()

    def component(name: str, version: str, licence: str, **more: Any) -> Component:
        purl = PackageURL("pypi", name=name, version=version)
        made = licences.make_from_string(licence)
        return Component(name=name, version=version, licenses=[made], purl=purl, bom_ref=str(purl), **more)

    parts = {
        pin.name: component(
            pin.name,
            pin.version,
            licence_of(pin.name),
            type=ComponentType.LIBRARY,
            # Each is one file that the lock admits, for one Python and one processor.
            hashes=[HashType(alg=HashAlgorithm.SHA_256, content=each) for each in pin.hashes],
        )
        for pin in packages
    }
    whole = component(project["name"], project["version"], project["license"], type=ComponentType.APPLICATION)
    document = Bom(components=parts.values(), serial_number=uuid5(NAMESPACE_URL, RUNTIME.read_text()))
    document.metadata.component = whole
    ours = [Requirement(each) for each in project["dependencies"]]
    wished = {canonicalize_name(each.name): each.extras for each in ours}
    document.register_dependency(whole, _named(ours, parts))
    for name, part in parts.items():
        document.register_dependency(part, _named(_needs(name, wished.get(name, ())), parts))
    plain = json.loads(JsonV1Dot6(document).output_as_string())
    del plain["metadata"]["timestamp"]  # a moment would make each another
    return json.dumps(plain, indent=1, sort_keys=True) + "\n"


def faults(text: str) -> list[str]:
    """What the published schema, which the library brings along, has against it."""
    schema, *referred = (
        json.loads((_SCHEMAS / f"{name}.SNAPSHOT.schema.json").read_text(encoding="utf-8"))
        for name in ("bom-1.6", "spdx", "jsf-0.82")
    )
    named = [(each["$id"].replace(".schema.json", ".SNAPSHOT.schema.json"), each) for each in referred]
    validator = jsonschema_rs.Draft7Validator(schema, registry=jsonschema_rs.Registry(named))
    return [f"{error.instance_path}: {error.message}" for error in validator.iter_errors(json.loads(text))]


def _named(needs: Iterable[Requirement], parts: Mapping[NormalizedName, Component]) -> list[Component]:
    names = {canonicalize_name(need.name) for need in needs}
    return [parts[name] for name in sorted(names & set(parts))]


def _needs(name: str, extras: Iterable[str] = ()) -> list[Requirement]:
    """What it asks for on this Python, with these extras of its own."""
    try:
        asked = map(Requirement, metadata.requires(name) or [])
    except metadata.PackageNotFoundError:  # for another Python or system
        return []
    asks = ["", *extras]
    return [
        need
        for need in asked
        if need.marker is None or any(need.marker.evaluate({"extra": each}) for each in asks)
    ]


if __name__ == "__main__":
    print(bill(), end="")
