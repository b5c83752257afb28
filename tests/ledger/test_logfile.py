"""Logs in and out: exact round trips, forgiving where the meaning is plain, one clear sentence for everything else."""

from __future__ import annotations

import os
import threading
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lastbubble.errors import LogError
from lastbubble.ledger.logfile import COLUMNS, LIMITS, read_log, write_log, write_rows
from lastbubble.records import MARKS, Sample

HEAD = "time_s,chamber_pa,oven_c,heat,mark\n"


def written(folder: Path, text: str | bytes, name: str = "a.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


#: name -> the log, the line the message must name (0: no line), words that must be in the message.
BROKEN: dict[str, tuple[str | bytes, int, tuple[str, ...]]] = {
    "empty": ("", 0, ("empty", "time_s,chamber_pa")),
    "only a head": ("# station: bench\n# hold_min: 30\n", 0, ("no column names",)),
    "no column names": ("0,101325,20\n1,101300,20\n", 1, ("numbers", "above it")),
    "no time_s": ("t,chamber_pa\n0,1000\n", 1, ("time_s", "t, chamber_pa", "import --map")),
    "semicolons": ("time_s;chamber_pa\n0;1000\n", 1, ("time_s", "separators")),
    "column twice": ("time_s,oven_c,oven_c\n0,1,2\n", 1, ("oven_c", "2 times")),
    "short row": (HEAD + "0,1000,20,1,\n1,1000,20\n", 3, ("3 cells", "5")),
    "long row": (HEAD + "0,1000,20,1,,\n", 2, ("6 cells", "5")),
    "time stands": (HEAD + "0,1,2,1,\n0,1,2,1,\n", 3, ("time_s is 0 after 0.0", "rise")),
    "time falls": (HEAD + "5,1,2,1,\n4.5,1,2,1,\n", 3, ("4.5 after 5.0",)),
    "time empty": (HEAD + ",1,2,1,\n", 2, ("time_s is empty",)),
    "time blank": (HEAD + "  ,1,2,1,\n", 2, ("time_s is empty",)),
    "nan": (HEAD + "0,nan,2,1,\n", 2, ("chamber_pa is 'nan'", "no reading")),
    "inf": (HEAD + "0,1,inf,1,\n", 2, ("oven_c is 'inf'",)),
    "overflow": (HEAD + "0,1,1e400,1,\n", 2, ("oven_c is 1e400",)),
    "infinite time": (HEAD + "1e400,1,1,1,\n", 2, ("time_s is 1e400",)),
    "text": (HEAD + "0,1,warm,1,\n", 2, ("oven_c is 'warm'", "number")),
    "underscored number": (HEAD + "0,1_000,2,1,\n", 2, ("chamber_pa is '1_000'",)),
    "digits of another script": (HEAD + "0,１０,2,1,\n", 2, ("chamber_pa is", "number")),
    "decimal comma": (HEAD + '0,"1000,5",2,1,\n', 2, ("1000,5", "point", "import --map")),
    "unit in the cell": (HEAD + "0,1000 Pa,2,1,\n", 2, ("'1000 Pa'",)),
    "colder than cold": (HEAD + "0,1,-274,1,\n", 2, ("oven_c is -274", "-273.15", "degC")),
    "hotter than any couple": (HEAD + "0,1,9999,1,\n", 2, ("oven_c is 9999", "2000")),
    "depth instead of pressure": (HEAD + "0,-98000,2,1,\n", 2, ("chamber_pa is -98000", "absolute", "barometer")),
    "pressure too high": (HEAD + "0,2e6,2,1,\n", 2, ("chamber_pa is 2e6", "1e+06")),
    "heat not 0 or 1": (HEAD + "0,1,2,on,\n", 2, ("heat is 'on'", "0, 1", "relay")),
    "heat 2": (HEAD + "0,1,2,2,\n", 2, ("heat is '2'",)),
    "isolated yes": ("time_s,isolated\n0,yes\n", 2, ("isolated is 'yes'", "pump")),
    "unknown mark": (HEAD + "0,1,2,1,pumpon\n", 2, ("'pumpon'", "pump_on", "dial=")),
    "dial without a unit": (HEAD + "0,1,2,1,dial=260\n", 2, ("'dial=260'", "F (up to 600)")),
    "dial too far": (HEAD + "0,1,2,1,dial=900F\n", 2, ("dial=900F",)),
    "quote left open": (HEAD + '0,1,2,1,"pump_on\n1,1,2,1,\n', 2, ("quot",)),
    "text after a quote": (HEAD + '0,1,2,1,"pump_on"x\n', 2, ("quot",)),
    "binary": (bytes(range(256)) * 20, 1, ("zero bytes",)),
    "zero bytes at the end": ((HEAD + "0,1,2,1,\n").encode() + bytes(100), 3, ("zero bytes", "power cut")),
    "UTF-16": ((HEAD + "0,1,2,1,\n").encode("utf-16"), 1, ("zero bytes",)),
    "Latin-1": ((HEAD + "0,1,2,1,\n# caf\xe9\n").encode("latin-1"), 3, ("UTF-8", "column 6")),
    "huge cell": (HEAD + "0,1,2,1," + "x" * 200_000 + "\n", 2, ("field larger",)),
    "line without end": ("time_s," + "9" * 2_000_000, 1, ("1048576",)),
    "head contradicts": ("# hold_min: 30\n# hold_min: 40\n" + HEAD, 2, ("hold_min", "'40'", "'30'", "line 1")),
    "faults of our own form": (
        "# log_form: 1\ntime_s,faults\n0,oven open\n",
        3,
        ("faults is 'oven open'", "source:cause"),
    ),
    "trip of our own form": ("# log_form: 1\ntime_s,trip\n0,Too Hot\n", 3, ("trip is 'Too Hot'",)),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_log_gets_one_clear_sentence(name: str, tmp_path: Path) -> None:
    text, line, words = BROKEN[name]
    path = written(tmp_path, text)
    with pytest.raises(LogError) as caught:
        list(read_log(path))
    said = str(caught.value)
    assert caught.value.line == line
    assert said.startswith(f"{path}:{line}: ")
    assert len(said.splitlines()) == 1
    assert len(said) < len(str(path)) + 420
    for word in words:
        assert word in said


def test_rows_before_a_broken_one_are_given(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, HEAD + "0,1,2,1,\n1,1,2,0,\n2,1,oops,1,\n3,1,2,1,\n"))
    rows = iter(log)
    assert [next(rows).time_s, next(rows).time_s] == [0.0, 1.0]
    with pytest.raises(LogError, match=r":4: oven_c"):
        next(rows)


@pytest.mark.parametrize("what", ["absent", "folder"])
def test_what_cannot_be_opened_is_named(what: str, tmp_path: Path) -> None:
    path = tmp_path if what == "folder" else tmp_path / "no.csv"
    with pytest.raises(LogError, match=r"cannot be read"):
        read_log(path)


PLAIN = "# station: bench\ntime_s,chamber_pa,oven_c,heat,mark\n0,101325,20.5,1,pump_on\n1,,21,0,\n"
PLAIN_SAMPLES = [
    Sample(0.0, chamber_pa=101325.0, oven_c=20.5, heat=True, marks=("pump_on",)),
    Sample(1.0, oven_c=21.0, heat=False),
]


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        "\ufeff" + PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        PLAIN.rstrip("\n"),
        "\n\n" + PLAIN.replace("\n1,", "\n\n# lid opened?\n1,"),
        PLAIN.replace("pump_on", '"pump_on"').replace("chamber_pa", '"chamber_pa"'),
        PLAIN.replace(",", " , "),
        PLAIN.replace(",1,pump", ",1.0,pump").replace("21,0,", "21,0.0,"),
        PLAIN.replace("101325", "+1.01325E5").replace("20.5", "020.50"),
        PLAIN.replace("# station: bench", "#station: bench"),
    ],
    ids=["plain", "bom", "crlf", "cr", "no-end", "comments", "quotes", "blanks", "flags", "exponents", "tight"],
)
def test_what_is_plain_is_taken(text: str, tmp_path: Path) -> None:
    log = read_log(written(tmp_path, text))
    assert log.header == {"station": "bench"}
    assert list(log) == PLAIN_SAMPLES
    assert list(log) == PLAIN_SAMPLES, "a log can be read again"


def test_a_gauge_with_a_zero_error_is_taken_as_it_is(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, "time_s,chamber_pa\n0,-1900\n1,-0.5\n"))
    assert [sample.chamber_pa for sample in log] == [-1900.0, -0.5]


def test_several_marks_stand_in_one_cell(tmp_path: Path) -> None:
    text = 'time_s,mark\n0,pump_off; vent_open\n1,"rocked, vented"\n2,drained|dial=260F\n3,dial=127.5C quiet\n'
    assert [sample.marks for sample in read_log(written(tmp_path, text))] == [
        ("pump_off", "vent_open"),
        ("rocked", "vented"),
        ("drained", "dial=260F"),
        ("dial=127.5C", "quiet"),
    ]


def test_columns_that_are_not_ours_are_kept(tmp_path: Path) -> None:
    text = (
        "# what: a run\n# what: with two lines\n# just a word\n"
        'time_s,phase,oven_c,note,\n0,1,20,"a ""b"", c",x\n1,2,21,naïve,\n'
    )
    log = read_log(written(tmp_path, text))
    assert log.extra == ("phase", "note", "unnamed_5")
    assert log.header == {"what": "a run\nwith two lines", "comment": "just a word"}
    rows = list(log.rows())
    assert [cells for _, cells in rows] == [("1", 'a "b", c', "x"), ("2", "naïve", "")]
    out = tmp_path / "out.csv"
    assert write_rows(out, log.header, log.extra, rows) == 2
    again = read_log(out)
    assert list(again.rows()) == rows
    assert again.header == {"log_form": "1", **log.header}


def test_a_foreign_column_named_like_ours_is_ignored(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, "time_s,faults,trip\n0,0,0\n1,oven:open;chamber:silent,over_temperature\n"))
    assert list(log) == [
        Sample(0.0),
        Sample(1.0, faults=("oven:open", "chamber:silent"), trip="over_temperature"),
    ]


def test_the_head_is_checked_against_what_a_batch_can_be(tmp_path: Path) -> None:
    text = "# station: x\n# hold_min: soon\n# piece_shape: cube\n# colour: chalk\ntime_s\n0\n"
    path = written(tmp_path, text)
    with pytest.raises(LogError) as caught:
        read_log(path).context()
    first, second = str(caught.value).splitlines()
    assert first.startswith(f"{path}:2: hold_min is 'soon'")
    assert second.startswith(f"{path}:3: piece_shape is 'cube'")


def test_a_head_gives_its_context(tmp_path: Path) -> None:
    context = read_log(written(tmp_path, "# hold_min: 40\n# material: maple\ntime_s\n0\n")).context()
    assert (context.hold_min, context.material) == (40.0, "maple")


def test_a_pipe_is_read_once(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    writer = threading.Thread(target=path.write_text, args=(PLAIN,))
    writer.start()
    log = read_log(path)
    assert list(log) == PLAIN_SAMPLES
    writer.join(10)
    assert not writer.is_alive()


def test_a_log_that_breaks_off_replaces_nothing(tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    out.write_text("the old one")

    def breaking() -> object:
        yield Sample(0.0)
        raise LogError("no more")

    with pytest.raises(LogError, match="no more"):
        write_log(out, {}, breaking())  # type: ignore[arg-type]
    assert out.read_text() == "the old one"
    assert list(tmp_path.iterdir()) == [out]


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"no/out\.csv: cannot be written \(No such file"):
        write_log(tmp_path / "no" / "out.csv", {}, [])


def number(name: str) -> st.SearchStrategy[float | None]:
    low, high = LIMITS[name]
    return st.none() | st.floats(low, high, allow_nan=False)


word = st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True)
samples = st.builds(
    Sample,
    time_s=st.just(0.0),
    chamber_pa=number("chamber_pa"),
    oven_c=number("oven_c"),
    junction_c=number("junction_c"),
    witness_c=number("witness_c"),
    oven2_c=number("oven2_c"),
    heat=st.none() | st.booleans(),
    isolated=st.none() | st.booleans(),
    marks=st.lists(st.sampled_from((*MARKS, "dial=260F", "dial=127.5C")), max_size=3).map(tuple),
    faults=st.lists(st.tuples(word, word).map(":".join), max_size=3).map(tuple),
    trip=st.just("") | word,
)
times = st.lists(st.floats(-1e9, 1e9, allow_nan=False), max_size=20, unique=True).map(sorted)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(times=times, data=st.data())
def test_every_log_written_reads_back_equal(times: list[float], data: st.DataObject, tmp_path: Path) -> None:
    wanted = []
    for time_s in times:
        drawn = data.draw(samples)
        wanted.append(Sample(time_s, *(getattr(drawn, name) for name in list(Sample.__dataclass_fields__)[1:])))
    path = tmp_path / "log.csv"
    assert write_log(path, {"station": "s", "material": "maple"}, wanted) == len(wanted)
    log = read_log(path)
    assert log.columns == COLUMNS
    assert log.header == {"log_form": "1", "station": "s", "material": "maple"}
    assert list(log) == wanted


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(junk=st.binary(max_size=300) | st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_junk_never_gives_anything_but_a_clear_error(junk: bytes, tmp_path: Path) -> None:
    for text in (junk, HEAD.encode() + junk, HEAD.encode() + b"0,1,2,1," + junk):
        path = written(tmp_path, text)
        try:
            rows = list(read_log(path))
        except LogError as exc:
            assert str(path) in str(exc)  # noqa: PT017  # either outcome is right; the message must name the file
        else:
            assert all(left.time_s < right.time_s for left, right in pairwise(rows))
