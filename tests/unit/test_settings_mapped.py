"""A source of mapped JSON, as configured."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.domain.model import from_rfc3339
from service.settings import SettingsError, load
from service.settings.gateway_mapped import MappedSource

MESSAGE = '[[source.message]]\ntopic = "a/{line}/{station}"\n'
LINK = MESSAGE + 'gives = "link"\ntake = { state = "s" }\n'


def read(tmp_path: Path, text: str) -> MappedSource:
    path = tmp_path / "plant.toml"
    path.write_text(f'[[source]]\nname = "mes"\nformat = "mapped"\n{text}\n', encoding="utf-8")
    (source,) = load(path, {}).sources
    assert isinstance(source, MappedSource)
    return source


def problem(tmp_path: Path, text: str) -> str:
    with pytest.raises(SettingsError) as refused:
        read(tmp_path, text)
    (line,) = refused.value.lines
    return line.partition("plant.toml: ")[2]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "source[0]: has neither a [[source.message]] nor a [[source.value]]"),
        (MESSAGE + 'gives = "count"', "source[0].message[0]: take: count needs panels or picked or placed"),
        (
            MESSAGE + 'gives = "count"\ntake = { placed = "a[" }',
            "source[0].message[0]: take.placed: 'a[' is no JMESPath expression",
        ),
        (MESSAGE + 'gives = "panel"\nwhen = "=="', "source[0].message[0]: when: '=='"),
        (MESSAGE + 'gives = "panel"\ntake = { placd = "a" }', "source[0].message[0].take"),
        (MESSAGE + 'gives = "panel"\ntime = "noon"', "source[0].message[0].time: 'noon' is no form of time"),
        (MESSAGE.replace("}", "", 1) + 'gives = "panel"', "source[0].message[0]: pattern"),
        (
            '[[source.value]]\nname = "a/{line}/{station}"\nmeans = "panel"\nvalue = "a b"',
            "source[0].value[0]: value: 'a b' is no JMESPath expression",
        ),
        (
            '[[source.value]]\nname = "a/{line}/{station}"\nmeans = "lot"\ncounts = "delta"',
            "source[0].value[0]: a/{line}/{station} (lot): only counters have deltas",
        ),
        ('timezone = "Atlantis/West"\n' + LINK, "source[0].timezone: is not a time zone"),
        ('time = "noon"\n' + LINK, "source[0].time: 'noon' is no form of time"),
    ],
)
def test_what_can_not_be_meant_is_refused_at_its_place(tmp_path, text, said):
    assert problem(tmp_path, text).startswith(said)


def test_the_form_of_times_is_the_sources_unless_a_rule_has_its_own(tmp_path):
    own = MESSAGE.replace("a/", "b/") + 'gives = "link"\ntime = "s"\ntake = { state = "s", at = "ts" }\n'
    rules = LINK.replace('"s" }', '"s", at = "ts" }') + own
    translator = read(tmp_path, f'time = "%d.%m.%Y %H:%M"\ntimezone = "Europe/Vienna"\n{rules}').translator(
        "UTC"
    )
    at = from_rfc3339("2026-03-02T06:14:07Z")
    (first,) = translator.hear("a/L3/P1", b'{"s": true, "ts": "02.03.2026 07:14"}', at=at) or ()
    (second,) = translator.hear("b/L3/P2", b'{"s": true, "ts": 1772432040}', at=at) or ()
    assert first.payload == second.payload == b'{"at":"2026-03-02T06:14:00Z","state":"online"}'


def test_times_go_by_the_clocks_of_the_site_unless_the_source_has_its_own(tmp_path):
    rules = LINK.replace('"s" }', '"s", at = "ts" }')
    at = from_rfc3339("2026-03-02T06:14:07Z")
    (said,) = (
        read(tmp_path, rules)
        .translator("Europe/Vienna")
        .hear("a/L3/P1", b'{"s": true, "ts": "2026-03-02T07:14:00"}', at=at)
        or ()
    )
    assert said.payload == b'{"at":"2026-03-02T06:14:00Z","state":"online"}'


def test_the_example_counts(tmp_path):
    """As it stands in the example file, with messages such as it means."""
    example = (Path(__file__).parents[2] / "earlybell.example.toml").read_text(encoding="utf-8")
    part = example.partition('#name = "placers"')[2].partition("\n\n")[0]
    text = "\n".join(line.removeprefix("#") for line in part.splitlines())
    path = tmp_path / "plant.toml"
    path.write_text(f'[[source]]\nname = "placers"{text}', encoding="utf-8")
    (source,) = load(path, {}).sources
    translator = source.translator("UTC")
    at = from_rfc3339("2026-03-02T06:14:07Z")
    messages = [
        (
            "counters",
            b'{"ts": 1772432047000, "boards": 4, "feeders": [{"pos": "F1", "picks": 9, "rejects": 0}]}',
        ),
        (
            "events",
            (
                b'{"type": "reel", "ts": "1772432047000",'
                b' "changes": [{"pos": "F1", "what": "mounted", "kpcs": 5}]}'
            ),
        ),
        ("events", b'{"type": "door"}'),
        ("outputs", b'{"byte0": 4}'),
        ("feeder/F1/lot", b'{"label": {"lot": "A77", "read_at": "2026-03-02T06:14:05Z"}}'),
    ]
    said = [
        native
        for topic, body in messages
        for native in translator.hear(f"plant/L3/P1/{topic}", body, at=at) or ()
    ]
    assert [native.address.kind for native in said] == ["count", "supply", "supply"]
    assert b'"change":"loaded"' in said[1].payload
    assert b'"quantity":5000' in said[1].payload
