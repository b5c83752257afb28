"""Whatever a file holds, it gives settings or one SettingsError; quantities survive being written and read."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pydantic_core import PydanticCustomError

from lastbubble.data import data_path
from lastbubble.errors import SettingsError
from lastbubble.settings import Settings, load_text
from lastbubble.settings.messages import judge_of, members
from lastbubble.settings.quantities import Quantity, emit
from lastbubble.settings.schema import json_schema
from lastbubble.units import UNITS, parse

EXAMPLES = sorted(data_path("config").glob("*.yaml"))
LINE = re.compile(r"s\.yaml(:\d+)?: \S[^\n]*; allowed[^\n]*; [^\n]*\S")


def judged(text: str) -> SettingsError | None:
    """None for settings, the error for faults; anything else is a bug and comes through."""
    error = None
    try:
        load_text(text, "s.yaml")
    except SettingsError as exc:
        error = exc
    if error is not None:
        assert error.faults
        for fault in error.faults:
            assert LINE.fullmatch(fault), fault
    return error


def keys(model: Any) -> set[str]:
    found = set(model.model_fields)
    for field in model.model_fields.values():
        for inner in members(field.annotation):
            found |= keys(inner)
    return found


WORDS = st.sampled_from(sorted(keys(Settings)))
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(
        ["93 degC", "200 degF", "9 L", "1 h", "serial", "modbus", "adc", "absolute", "oven", "shed", "/x"]
    )
)
TREES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS | st.text(max_size=4), inner, max_size=5),
    max_leaves=25,
)


@settings(max_examples=50, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.dictionaries(WORDS, TREES, max_size=6))
def test_any_tree_of_known_and_unknown_keys(data: dict[str, Any]) -> None:
    judged(yaml.safe_dump(data, allow_unicode=True))


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=300))
@example("\x00")
@example("%YAML 9.9\n--- a")
@example("? ? ?")
@example("a: !<tag:yaml.org,2002:float> x")
@example("{{{{")
@example('"\\ud800": 1')
@example("a: |9\n x")
@example("\ufeffstation: a")
def test_any_text(text: str) -> None:
    judged(text)


@settings(max_examples=50, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_any_edit_of_an_example(data: st.DataObject) -> None:
    text = data.draw(st.sampled_from(EXAMPLES)).read_text(encoding="utf-8")
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(len(text), start + 40)))
        text = text[:start] + data.draw(st.text(st.sampled_from("az09 :-'\"{}[],\n#&*!%~."), max_size=6)) + text[end:]
    judged(text)


@settings(max_examples=50, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_any_line_lost_from_an_example(data: st.DataObject) -> None:
    lines = data.draw(st.sampled_from(EXAMPLES)).read_text(encoding="utf-8").splitlines(keepends=True)
    for _ in range(data.draw(st.integers(1, 3))):
        del lines[data.draw(st.integers(0, len(lines) - 1))]
    judged("".join(lines))


SIZES = st.just(0.0) | st.floats(1e-9, 1e12) | st.floats(-1e12, -1e-9)


@given(
    st.sampled_from([(kind, unit) for kind, units in UNITS.items() for unit in units]),
    SIZES,
)
def test_a_quantity_survives_being_written_and_read(where: tuple[Any, str], value: float) -> None:
    kind, unit = where
    # What is lost is rounding: of the value, and of the offset that some units have.
    offset = abs(UNITS[kind][unit](0.0))
    assert math.isclose(parse(emit(value, kind, unit), kind), value, rel_tol=1.1e-13, abs_tol=4e-13 * offset)


def every_quantity() -> dict[str, Quantity]:
    found: dict[str, Quantity] = {}

    def walk(model: Any, path: str) -> None:
        for name, field in model.model_fields.items():
            judge = judge_of(field)
            if isinstance(judge, Quantity):
                found[f"{path}{name}"] = judge
            for inner in members(field.annotation):
                walk(inner, f"{path}{name}.")

    walk(Settings, "")
    return found


@pytest.mark.parametrize(("key", "quantity"), every_quantity().items(), ids=list(every_quantity()))
def test_each_quantity_takes_its_bounds_and_nothing_beyond(key: str, quantity: Quantity) -> None:
    assert quantity.low < quantity.high, key
    si = next(unit for unit, convert in UNITS[quantity.kind].items() if (convert(0.0), convert(1.0)) == (0.0, 1.0))
    for bound in (quantity.low, quantity.high):
        assert quantity.read(f"{bound!r} {si}") == bound
    # Also as the messages tell them.
    for bound in (quantity.low, quantity.high):
        found = quantity.read(emit(bound, quantity.kind, quantity.unit))
        assert quantity.low <= found <= quantity.high
        assert found == pytest.approx(bound, rel=1e-12, abs=1e-10)
    step = 1e-9 * max(abs(quantity.low), abs(quantity.high))
    for beyond in (quantity.low - step, quantity.high + step):
        with pytest.raises(PydanticCustomError):
            quantity.read(f"{beyond!r} {si}")
    for bare in (quantity.low, quantity.high, 1, True, None, [], {}, math.nan):
        with pytest.raises(PydanticCustomError):
            quantity.read(bare)
    # The example in its own messages can be used as it stands.
    assert quantity.low <= parse(quantity._like(), quantity.kind) <= quantity.high


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_schema_takes_what_the_check_takes(path: Path) -> None:
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(json_schema()).validate(data)


def test_the_schema_is_one_and_refuses_what_nobody_means() -> None:
    schema = json.loads(json.dumps(json_schema(), allow_nan=False))
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)
    good = yaml.safe_load(data_path("config", "oven-only.yaml").read_text(encoding="utf-8"))
    for broken in (
        good | {"unknown": 1},
        good | {"cure": {"target_core": 200}},
        good | {"guard": good["guard"] | {"limit": "125"}},
        good | {"units": {"temperature": "F"}},
        {key: value for key, value in good.items() if key != "station"},
    ):
        assert not check.is_valid(broken), broken


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_settings_survive_being_written_and_read(path: Path) -> None:
    first = load_text(path.read_text(encoding="utf-8"), path.name).settings
    written = yaml.safe_dump(first.model_dump(mode="json", exclude_none=True))
    second = load_text(written, "again.yaml").settings
    assert again(second) == again(first)


def again(of: Settings) -> Any:
    """All values, floats within the rounding of units with an offset."""

    def near(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: near(inner) for key, inner in value.items()}
        if isinstance(value, list):
            return [near(inner) for inner in value]
        return float(f"{value:.12g}") if isinstance(value, float) else value

    return near(of.model_dump())
