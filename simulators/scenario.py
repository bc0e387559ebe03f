"""A scenario: everything about a simulated shift, read from one TOML file.

Says what is wrong with a file by file and key; knows what must fit together, not what happens in a shift.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from simulators.plan import GatewayPlan, LinePlan, Name, PartPlan, PeoplePlan, RecipePlan, StationPlan

FOLDER = Path(__file__).parent / "scenarios"


class ScenarioError(Exception):
    """A scenario can't be read; the text names the file and says for each key what is wrong with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """``supply_messages``, ``recipe_messages`` and ``order_messages`` say what gateways tell besides counts
    and towers. ``service`` is for whoever runs the service beside it."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    name: Name
    plant: str
    hours: Annotated[float, Field(gt=0)]
    seed: int
    parts: tuple[PartPlan, ...]
    lines: tuple[LinePlan, ...]
    people: PeoplePlan
    gateways: GatewayPlan = field(default_factory=GatewayPlan)
    supply_messages: bool = True
    recipe_messages: bool = True
    order_messages: bool = True
    service: Mapping[str, object] = field(default_factory=dict)

    @property
    def silent(self) -> frozenset[str]:
        """The kinds of message that its gateways never say."""
        says = {"supply": self.supply_messages, "recipe": self.recipe_messages, "order": self.order_messages}
        return frozenset(kind for kind, said in says.items() if not said)

    def part(self, name: str) -> PartPlan:
        return next(each for each in self.parts if each.part == name)

    def line(self, name: str) -> LinePlan:
        return next(each for each in self.lines if each.line == name)

    def with_line(self, name: str) -> Scenario:
        """The scenario reduced to the line of that name; where it has only one line, that one renamed."""
        if len(self.lines) == 1:
            lies = {f"{name}/{place.split('/')[1]}": by for place, by in self.gateways.clock_lies.items()}
            gateways = replace(self.gateways, clock_lies=lies)
            return replace(self, lines=(self.lines[0].named(name),), gateways=gateways)
        if name not in {each.line for each in self.lines}:
            names = ", ".join(each.line for each in self.lines)
            raise ScenarioError(f"scenario {self.name} has no line {name} (it has {names})")
        return replace(self, lines=(self.line(name),))


_READER = TypeAdapter(Scenario)


def load_scenario(path: Path) -> Scenario:
    """The scenario in the file, or ``ScenarioError`` with everything that is wrong with it."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        scenario = _READER.validate_python(table)
    except OSError as error:
        raise ScenarioError(f"{path}: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError(f"{path}: not TOML: {error}") from None
    except ValidationError as error:
        raise _refused(
            path, [_problem(each["loc"], each["type"], each["msg"]) for each in error.errors()]
        ) from None
    if problems := list(_misfits(scenario)):
        raise _refused(path, problems)
    return scenario


def shipped() -> dict[str, Path]:
    """The scenarios that come with the program, by name."""
    return {path.stem: path for path in sorted(FOLDER.glob("*.toml"))}


def find_scenario(name: str) -> Scenario:
    """The one that comes with the program by that name, else the one in that file, or ``ScenarioError``."""
    files = shipped()
    path = files.get(name) or Path(name)
    if name not in files and not path.exists():
        raise ScenarioError(f"no scenario {name!r}: neither a file nor one of {', '.join(files)}")
    return load_scenario(path)


def _refused(path: Path, problems: list[str]) -> ScenarioError:
    return ScenarioError("\n".join(f"{path}: {each}" for each in problems))


def _problem(where: tuple[int | str, ...], kind: str, said: str) -> str:
    said = {"unexpected_keyword_argument": "unknown key", "missing": "missing"}.get(kind, said)
    return f"{_key(where)}: {said}"


def _key(where: tuple[int | str, ...]) -> str:
    """``lines[0].stations[1].takt``"""
    key = "".join(f"[{each}]" if isinstance(each, int) else f".{each}" for each in where)
    return key.removeprefix(".")


def _misfits(scenario: Scenario) -> Iterator[str]:
    """What is said of something that isn't there, or is said twice."""
    people = scenario.people
    parts = [each.part for each in scenario.parts]
    yield from (
        f"{key}: none" for key, of in (("lines", scenario.lines), ("people.names", people.names)) if not of
    )
    yield from _twice("parts", parts)
    yield from _twice("lines", [each.line for each in scenario.lines])
    yield from _twice("people.names", list(people.names))
    for index, line in enumerate(scenario.lines):
        yield from _misfits_of_line(f"lines[{index}]", line, set(parts))
    places = {f"{line.line}/{each.station}" for line in scenario.lines for each in line.stations}
    for index, shift in enumerate(people.shifts):
        strangers = [name for name in shift.names if name not in people.names]
        yield from (f"people.shifts[{index}].names: {name!r} isn't in people.names" for name in strangers)
    if people.confirms.at_once + people.confirms.late > 1:
        yield "people.confirms: at_once and late are more than 1 together"
    for lie in sorted(scenario.gateways.clock_lies.keys() - places):
        yield f"gateways.clock_lies.{lie}: no such line and station"


def _misfits_of_line(key: str, line: LinePlan, parts: set[str]) -> Iterator[str]:
    both = (("stations", line.stations), ("recipes", line.recipes))
    yield from (f"{key}.{what}: none" for what, of in both if not of)
    ends = [each.station for each in (line.printer, line.oven) if each]
    yield from _twice(f"{key}.stations", [each.station for each in line.stations] + ends)
    yield from _twice(f"{key}.recipes", [each.recipe for each in line.recipes])
    for at, station in enumerate(line.stations):
        yield from _twice(f"{key}.stations[{at}].slots", [each.slot for each in station.slots])
        for number, slot in enumerate(station.slots):
            if slot.part not in parts:
                yield f"{key}.stations[{at}].slots[{number}].part: no part {slot.part!r} in parts"
    stations = {each.station: each for each in line.stations}
    for at, recipe in enumerate(line.recipes):
        yield from _misfits_of_recipe(f"{key}.recipes[{at}]", recipe, stations, parts)


def _misfits_of_recipe(
    key: str, recipe: RecipePlan, stations: Mapping[str, StationPlan], parts: set[str]
) -> Iterator[str]:
    named = {
        "usage": {name: list(slots) for name, slots in recipe.usage.items()},
        "parts": {name: list(slots) for name, slots in recipe.parts.items()},
        "alternates": {name: [s for group in of for s in group] for name, of in recipe.alternates.items()},
    }
    for what, places in named.items():
        for name, slots in places.items():
            if name not in stations:
                yield f"{key}.{what}.{name}: no such station"
                continue
            known = {each.slot for each in stations[name].slots}
            yield from (f"{key}.{what}.{name}.{slot}: no such slot" for slot in slots if slot not in known)
    for name, changed in recipe.parts.items():
        for slot, part in changed.items():
            if part not in parts:
                yield f"{key}.parts.{name}.{slot}: no part {part!r} in parts"


def _twice(key: str, names: list[str]) -> Iterator[str]:
    yield from (f"{key}: {name!r} twice" for name in dict.fromkeys(names) if names.count(name) > 1)
