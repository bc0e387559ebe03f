"""Labels that were written are read as they were written, GS1 elements as an independent library reads them,
and any text is read or refused."""

from __future__ import annotations

import string
from collections.abc import Sequence

import pytest
from biip import ParseConfig, parse
from biip.gs1_application_identifiers import _GS1_APPLICATION_IDENTIFIERS as KNOWN
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.domain.labels import Label, LabelPattern, Unreadable, read_label
from service.domain.labels_fields import IDENTIFIERS
from service.domain.labels_gs1 import ELEMENTS, element_of

GS, RS, EOT = "\x1d", "\x1e", "\x04"
FEW = settings(max_examples=40)
PATTERNS = (
    LabelPattern(name="stores", pattern=r"(?P<part>[^;]+);(?P<quantity>\d+);(?P<lot>[^;]*)", strip=("PN-",)),
    LabelPattern(name="ours", upper=True, strip=("VN",), alias={"RC0402-10K": "R-10K-0402"}),
)

part_numbers = st.text(string.ascii_uppercase + string.digits + "-./+#", min_size=1, max_size=40)
plain = st.text(string.ascii_letters + string.digits + "-./+ ", min_size=1, max_size=20).filter(
    lambda text: text == text.strip()
)


@st.composite
def reels(draw: st.DrawFn) -> dict[str, str]:
    """Fields by their identifiers, in any order, the main ones maybe there."""
    fields = {
        "P": draw(st.none() | part_numbers),
        "1P": draw(part_numbers),
        "Q": draw(st.none() | st.integers(1, 2**53 - 1).map(str)),
        "1T": draw(st.none() | plain),
        "S": draw(st.none() | plain),
        "13E": draw(st.none() | st.sampled_from(["1", "2", "2a", "3", "4", "5", "5a", "6"])),
        "9D": draw(st.none() | st.integers(0, 9999).map("{:04}".format)),
        "Z": draw(st.none() | plain),
    }
    there = [(key, value) for key, value in fields.items() if value is not None]
    return dict(draw(st.permutations(there)))


def written(fields: Sequence[tuple[str, str]]) -> str:
    return f"[)>{RS}06{GS}{GS.join(key + value for key, value in fields)}{RS}{EOT}"


@FEW
@given(reels())
def test_what_was_written_in_an_envelope_is_read_again(fields: dict[str, str]) -> None:
    label = read_label(written(list(fields.items())))
    part = fields.get("P", fields["1P"])
    left = {"Z", "9D", "1P"} if "P" in fields else {"Z", "9D"}
    assert label == Label(
        part,
        None if "Q" not in fields else int(fields["Q"]),
        fields.get("1T"),
        fields.get("S"),
        fields.get("13E"),
        tuple((key, value) for key, value in fields.items() if key in left),
        "15434/06",
        (),
        tuple(dict.fromkeys([part, fields["1P"]])),
    )


@FEW
@given(reels(), st.sampled_from(["|", "~", "<GS>", "␝"]))
def test_written_separators_change_nothing_but_what_is_said_of_them(
    fields: dict[str, str], sign: str
) -> None:
    if any(sign in value for value in fields.values()):
        return
    label, other = (read_label(text) for text in (written(list(fields.items())), _by_hand(fields, sign)))
    assert other.tolerated
    assert _without_remarks(other) == _without_remarks(label)


def _by_hand(fields: dict[str, str], sign: str) -> str:
    """As scanners write them that can't send control characters."""
    if sign in {"|", "~"}:
        return f"[)>{sign}06{sign}{sign.join(key + value for key, value in fields.items())}{sign}"
    first = {"<GS>": "<RS>", "␝": "␞"}[sign]
    return f"[)>{first}06{sign}{sign.join(key + value for key, value in fields.items())}{first}"


def _without_remarks(label: Label) -> tuple[object, ...]:
    return (
        label.part,
        label.quantity,
        label.lot,
        label.supply,
        label.moisture_level,
        label.rest,
        label.names,
    )


@FEW
@given(st.data())
def test_elements_are_read_as_an_independent_library_reads_them(data: st.DataObject) -> None:
    """biip (https://biip.readthedocs.io), which has GS1's own list of identifiers."""
    free = [key for key in ELEMENTS if not ELEMENTS[key].digits]
    identifiers = data.draw(st.lists(st.sampled_from(free), min_size=1, max_size=4, unique=True))
    letters = string.ascii_letters + string.digits + "-/."
    values = [data.draw(st.text(letters, min_size=1, max_size=ELEMENTS[key].most)) for key in identifiers]
    text = "]d20109501101530003" + GS.join(map("{}{}".format, identifiers, values))
    theirs = parse(text, config=ParseConfig(gs1_element_strings_verify_date=False)).gs1_message
    assert theirs is not None
    read = {each.ai.ai: each.value for each in theirs.element_strings}
    label = read_label(text)
    ours = dict(label.rest)
    ours |= {key: value for key, value in (("10", label.lot), ("21", label.supply)) if value is not None}
    assert ours.items() <= read.items()
    assert {label.part, label.lot, label.supply, *dict(label.rest).values()} >= set(read.values())


def test_every_identifier_of_gs1_ends_where_gs1_says() -> None:
    found = {key: element_of(key + "0" * 20) for key in KNOWN}
    assert {key: known for key, (known, _) in found.items() if known != key} == {}
    ends = {key: element is not None and element.fixed for key, (_, element) in found.items()}
    assert ends == {key: not known.separator_required for key, known in KNOWN.items()}


def test_lengths_and_digits_of_the_identifiers_that_are_named_here_are_those_of_gs1() -> None:
    forms = {key: known.format for key, known in KNOWN.items()}
    ours: dict[str, str] = {}
    for key, element in ELEMENTS.items():
        kind = "N" if element.digits else "X"
        length = f"{element.most}" if element.fixed or key == "422" else f"..{element.most}"
        ours[key] = f"N{len(key)}+{kind}{length}"
    assert ours == {key: forms[key] for key in ELEMENTS}


PIECES = ["[)>", RS, GS, EOT, "06", "05", "<GS>", "^]", "1PR", "Q5", "]d2", "01", "0" * 14, "9"]
texts = st.one_of(
    st.text(max_size=60),
    st.text(alphabet="[)>^]|~0156789PQTSDEZ(){}<GRSEOT>\x04\x1c\x1d\x1e\x1f a;", max_size=80),
    st.lists(st.sampled_from(PIECES), max_size=20).map("".join),
)


@given(texts)
@settings(max_examples=300)
@example("\ud800")
@example("[)>\x1d")
@example("]d2\x1d")
@example("(01)")
@example("²" * 16)
@example("01" + "²" * 14 + "10A")
@example("[)>\x1e²²\x1dx")
def test_any_text_is_read_or_refused_with_a_reason_and_nothing_else(text: str) -> None:
    try:
        label = read_label(text, PATTERNS, expected=["R"])
    except Unreadable:
        return
    assert label == read_label(text, PATTERNS, expected=["R"])
    assert label.quantity is None or 0 < label.quantity < 2**53
    assert label.part is None or label.part == label.names[0]
    assert any([label.part, label.quantity, label.lot, label.supply, label.moisture_level, label.rest])
    assert all(identifier and value for identifier, value in label.rest)


@given(st.sampled_from(sorted(IDENTIFIERS)), plain)
def test_every_identifier_of_the_table_is_known_in_a_message(identifier: str, value: str) -> None:
    try:
        label = read_label(written([(identifier, value)]))
    except Unreadable as refused:
        pytest.fail(str(refused))
    assert not any("isn't known" in said.text for said in label.tolerated)
