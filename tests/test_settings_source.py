"""The reading of the text: what a scalar means, where everything stands, what is refused."""

from __future__ import annotations

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from lastbubble.settings.faults import found_text, path_text, told
from lastbubble.settings.source import read_text, scalar


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", None),
        ("~", None),
        ("null", None),
        ("true", True),
        ("False", False),
        # Words of the older YAML that stay words.
        ("on", "on"),
        ("off", "off"),
        ("yes", "yes"),
        ("no", "no"),
        ("1:30", "1:30"),
        ("2026-02-03", "2026-02-03"),
        ("8E1", "8E1"),
        ("1_000", "1_000"),
        ("0x1F", 31),
        ("010", 10),
        ("-7", -7),
        ("+3", 3),
        ("1.5", 1.5),
        (".5", 0.5),
        ("1.5e3", 1500.0),
        # Never NaN, never infinite, never a number that fills the memory.
        (".nan", ".nan"),
        (".inf", ".inf"),
        ("nan", "nan"),
        ("1.0e999", "1.0e999"),
        ("9" * 5000, "9" * 5000),
        # Only plain digits are digits.
        ("٣", "٣"),
        ("１２", "１２"),
    ],
)
def test_scalar(text: str, value: object) -> None:
    found = scalar(text)
    assert found == value
    assert type(found) is type(value)


def test_every_key_has_its_line() -> None:
    source = read_text(
        "# a comment\nstation: shed\nunits:\n  temperature: degF\n"
        "oven:\n  probes:\n    - name: oven\n      select_pin: 5\n"
        "    - {name: witness,\n       select_pin: 6}\n",
        "s.yaml",
    )
    assert source.faults == []
    lines = {path_text(path): place.line for path, place in source.places.items()}
    assert lines == {
        "station": 2,
        "units": 3,
        "units.temperature": 4,
        "oven": 5,
        "oven.probes": 6,
        "oven.probes[0]": 7,
        "oven.probes[0].name": 7,
        "oven.probes[0].select_pin": 8,
        "oven.probes[1]": 9,
        "oven.probes[1].name": 9,
        "oven.probes[1].select_pin": 10,
    }
    # What is not there is looked up at the nearest thing around it.
    assert source.line(("oven", "probes", 1, "calibration", 0)) == 9
    assert source.line(("guard", "limit")) == 0


def test_a_second_value_of_a_key_counts_nowhere() -> None:
    source = read_text("a:\n  b: 1\na:\n  b: 2\n  c: 3\n", "s.yaml")
    assert source.data == {"a": {"b": 1}}
    assert set(source.places) == {("a",), ("a", "b")}
    assert told("s.yaml", source.faults) == [
        "s.yaml:3: a stands here again; allowed: once (it is on line 1 already); delete one of the two"
    ]


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("a: &x 1\n", 1, "a has an anchor (&x)"),
        ("a: 1\nb: *x\n", 2, "b is an alias (*)"),
        ("a: !!python/object/apply:os.system [ls]\n", 1, "a has a tag"),
        ("a: !!int '3'\n", 1, "a has a tag"),
        ("a: {<<: {b: 1}}\n", 1, "a.'<<' is a merge key"),
        ("a: 1\n---\nb: 1\n", 2, "a second document"),
        ("- a\n- b\n", 1, "this is no group of keys"),
        ("just words\n", 1, "this is no group of keys"),
        ("a:\n\t- b\n", 2, "indent with spaces, never with tabs"),
        ("a: b: c\n", 1, "this is not YAML: mapping values are not allowed here"),
        ("a: [1, 2\n", 2, "this is not YAML"),
        ("a: 'x\n", 2, "this is not YAML"),
        ("? [1, 2]\n: x\n", 1, "a key of the file is not a plain word"),
        ('a: "\\UFFFFFFFF"\n', 0, "this is not YAML"),
        ("a: x\x07y\n", 1, "a character (code 7) that no text has"),
        ("a:\n", 1, "a is empty; allowed: a value; write one, or delete the line"),
        ("a: [1, ~]\n", 1, "a[1] is empty"),
        ("a: " + "[" * 40 + "]" * 40 + "\n", 1, "nested too deep; allowed: up to 12"),
        ("a: [" + "1," * 6000 + "]\n", 1, "value 5001 begins"),
        ("a: " + "x" * 300_000, 0, "the file has 300003 characters"),
    ],
)
def test_what_is_refused(text: str, line: int, says: str) -> None:
    source = read_text(text, "s.yaml")
    assert [(fault.line, says in fault.text) for fault in source.faults] == [(line, True)], source.faults


def test_an_empty_file_is_no_settings_and_no_fault_of_reading() -> None:
    for text in ("", "# only a comment\n", "---\n", "~\n"):
        source = read_text(text, "s.yaml")
        assert (source.data, source.faults) == ({}, [])


PLAIN = st.recursive(
    st.integers(-(10**15), 10**15)
    | st.booleans()
    | st.text(st.characters(codec="utf-8", categories=("L", "N", "Z")), max_size=8),
    lambda inner: (
        st.lists(inner, min_size=1, max_size=4) | st.dictionaries(st.text("abc", min_size=1), inner, min_size=1)
    ),
    max_leaves=12,
)


class _WithoutAliases(yaml.SafeDumper):
    def ignore_aliases(self, data: object) -> bool:  # noqa: ARG002  # the base class's own name
        return True


@settings(max_examples=50, deadline=None)
@given(st.dictionaries(st.text("abcdef", min_size=1, max_size=5), PLAIN, max_size=4))
def test_what_was_written_is_read(data: dict[str, object]) -> None:
    source = read_text(yaml.dump(data, allow_unicode=True, Dumper=_WithoutAliases), "s.yaml")
    assert source.faults == []
    assert source.data == data


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "empty"),
        (True, "true"),
        ({}, "a group of keys"),
        ([1], "a list of 1"),
        ("a\nb\x1b", r"'a\nb\x1b'"),
        (1.5, "1.5"),
    ],
)
def test_found_text(value: object, text: str) -> None:
    assert found_text(value) == text


def test_found_text_is_short() -> None:
    assert len(found_text("x" * 500)) == 60
