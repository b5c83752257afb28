"""The desk: every request is a row, junk gets one clear answer, callers never stop it."""

from __future__ import annotations

import json
import random
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.desk import MAX_LINE, REQUESTS, Desk, DeskSocket, ask_desk, check_mark, checked
from lastbubble.errors import BadInput, faults_of
from lastbubble.records import MARKS


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Path, list[tuple[str, dict[str, object]]]]]:
    heard: list[tuple[str, dict[str, object]]] = []

    def answer(name: str, fields: dict[str, object]) -> dict[str, object]:
        heard.append((name, fields))
        if name == "batch_close":
            raise BadInput("no batch is open")
        return {"echo": name}

    desk = DeskSocket(tmp_path / "service.sock", Desk(answer))
    yield tmp_path / "service.sock", heard
    desk.close()
    desk.close()
    assert not (tmp_path / "service.sock").exists()


def test_a_request_is_answered(served: tuple[Path, list[tuple[str, dict[str, object]]]]) -> None:
    path, heard = served
    assert ask_desk(path, {"ask": "mark", "mark": "vented"}) == {"ok": True, "echo": "mark"}
    assert heard == [("mark", {"mark": "vented"})]


def test_a_refusal_is_said_in_words(served: tuple[Path, list[tuple[str, dict[str, object]]]]) -> None:
    with pytest.raises(BadInput, match="no batch is open"):
        ask_desk(served[0], {"ask": "batch_close"})


def test_nobody_there_names_the_mend(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="lastbubble serve"):
        ask_desk(tmp_path / "none.sock", {"ask": "status"})


def test_a_thousand_random_requests_get_one_answer_each(
    served: tuple[Path, list[tuple[str, dict[str, object]]]],
) -> None:
    rng = random.Random(11)
    pieces = [b"{", b"}", b'"ask"', b":", b'"status"', b'"mark"', b"[", b"null", b"1e999", b"\xff", b"NaN", b",", b"\\"]
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(20)
        link.connect(str(served[0]))
        reader = link.makefile("rb")
        for _ in range(1000):
            line = b"".join(rng.choice(pieces) for _ in range(rng.randrange(12)))
            link.sendall(line + b"\n")
            answer = json.loads(reader.readline())
            assert answer["ok"] is True or answer["why"]
        reader.close()


def test_a_line_without_end_drops_only_its_caller(served: tuple[Path, list[tuple[str, dict[str, object]]]]) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(20)
        link.connect(str(served[0]))
        try:
            link.sendall(b"x" * (MAX_LINE * 4))
            assert link.recv(10) == b""
        except ConnectionError:
            pass
    assert ask_desk(served[0], {"ask": "status"})["ok"]


def test_too_deep_json_is_refused(served: tuple[Path, list[tuple[str, dict[str, object]]]]) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(20)
        link.connect(str(served[0]))
        link.sendall(b"[" * 50000 + b"\n")
        assert b'"ok":false' in link.recv(1000)


@pytest.mark.parametrize("mark", [*MARKS, "dial=260F", "dial=130C", "dial=92.5C"])
def test_every_mark_of_the_log_is_taken(mark: str) -> None:
    assert check_mark(mark) == mark


@pytest.mark.parametrize("mark", ["", "vent", 3, None, ["rocked"]])
def test_other_marks_are_refused_with_the_list(mark: object) -> None:
    with pytest.raises(BadInput, match="rocked"):
        check_mark(mark)


@pytest.mark.parametrize("mark", ["dial=", "dial=900F", "dial=0C", "dial=130K", "dial=12,5C"])
def test_a_dial_that_is_none_is_told_what_one_may_be(mark: str) -> None:
    with pytest.raises(BadInput, match=r"^dial is .* as 260F$"):
        check_mark(mark)


@pytest.mark.parametrize(
    ("why", "faults"),
    [
        ("dry: '95' has no unit", {"dry": "'95' has no unit"}),
        ("piece A: 3: dry: '95' has no unit", {"dry": "'95' has no unit"}),
        ("batch_piece: dry is 7; a text is wanted", {"dry": "is 7; a text is wanted"}),
        ("lot is 'x'; allowed: y\nmass: 'q' is no number", {"lot": "is 'x'; allowed: y", "mass": "'q' is no number"}),
        ("dry: the first\ndry: the second", {"dry": "the first"}),
        ("the card is slow: try again", {}),
        ("nothing can be taken back any more: marks are kept", {}),
    ],
)
def test_a_refusal_names_its_fields(why: str, faults: dict[str, str]) -> None:
    assert faults_of(why, ("dry", "wet", "lot", "mass")) == faults


def test_a_refusal_tells_scripts_which_field_it_is() -> None:
    def refuse(_name: str, _fields: object) -> dict[str, object]:
        raise BadInput("piece 1: wet: '7' has no unit")

    answer = Desk(refuse).ask({"ask": "batch_piece", "label": "1", "wet": "7"})
    assert answer["fields"] == {"wet": "'7' has no unit"}


@pytest.mark.parametrize(("text", "numbers"), [("", []), ("12", [12]), ("12,7,9", [12, 7, 9])])
def test_several_alarms_are_acknowledged_by_their_numbers(text: str, numbers: list[int]) -> None:
    assert checked({"ask": "acknowledge", "notices": text}) == ("acknowledge", {"notices": numbers})


@pytest.mark.parametrize("text", ["x", "1,,2", "-1", "1.5", "1" * 16, ",".join(["1"] * 201), 3, None, "1\n"])
def test_what_is_no_list_of_alarms_is_refused(text: object) -> None:
    with pytest.raises(BadInput, match="whole numbers"):
        checked({"ask": "acknowledge", "notices": text})


def test_no_request_makes_things_hotter() -> None:
    assert not {"permit", "reset", "heat", "renew"} & set(REQUESTS)


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@given(
    json_values
    | st.dictionaries(st.sampled_from(["ask", "mark", "name", "header"]), json_values | st.sampled_from(list(REQUESTS)))
)
def test_any_json_is_checked_or_refused(value: object) -> None:
    answer = Desk(lambda name, _: {"name": name}).ask(value)
    assert (answer["ok"] and answer["name"] in REQUESTS) or answer["why"]
