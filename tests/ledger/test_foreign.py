"""Other people's logs by a map: names, units, decimal marks, times; one sentence for what cannot be read."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from lastbubble.errors import LogError
from lastbubble.ledger.foreign import draft_map, read_foreign
from lastbubble.ledger.log_map import EXAMPLE, load_map
from lastbubble.ledger.logfile import Row, read_log, write_rows
from lastbubble.records import Sample


def read(folder: Path, log: str, log_map: str, encoding: str = "utf-8") -> list[Row]:
    (folder / "theirs.csv").write_bytes(log.encode(encoding))
    (folder / "map.yaml").write_text(log_map, encoding="utf-8")
    return list(read_foreign(folder / "theirs.csv", load_map(folder / "map.yaml")))


def samples(folder: Path, log: str, log_map: str, encoding: str = "utf-8") -> list[Sample]:
    return [sample for sample, _ in read(folder, log, log_map, encoding)]


def test_a_log_of_another_shop(tmp_path: Path) -> None:
    """Depth in inHg, degF, decimal commas, local dates. By hand: 29.9 inHg - 28.5 inHg = 1.4 inHg, times
    3386.389 Pa (NIST SP 811, mercury at 0 degC) = 4740.9446 Pa; (212 - 32) / 1.8 = 100."""
    log = (
        "Date;Time;Vacuum;Oven;Relay;Note;Door\n"
        "25.11.2026;23:59:58;28,5;212;ON;pump started;shut\n"
        "25.11.2026;23:59:59;NA;213,8;OFF;;open\n"
        "26.11.2026;00:00:01;28,5;;OFF;rocked, see photo;shut\n"
    )
    log_map = EXAMPLE.replace("column: Date  ", "column: [Date, Time]  ")
    rows = read(tmp_path, log, log_map)
    first, second, third = (sample for sample, _ in rows)
    assert first.chamber_pa == pytest.approx(4740.9446, rel=1e-9)
    assert (first.time_s, first.oven_c, first.heat, first.marks) == (0.0, 100.0, True, ("pump_on",))
    assert (second.time_s, second.chamber_pa, second.oven_c, second.heat) == (1.0, None, 101.0, False)
    assert (third.time_s, third.marks, third.oven_c) == (3.0, ("rocked",), None)
    assert [cells for _, cells in rows] == [("shut",), ("open",), ("shut",)]
    foreign = read_foreign(tmp_path / "theirs.csv", load_map(tmp_path / "map.yaml"))
    assert foreign.header == {"source": "theirs.csv", "station": "bench 1", "started_utc": "2026-11-25T23:59:58Z"}
    out = tmp_path / "ours.csv"
    assert write_rows(out, foreign.header, foreign.extra, foreign) == 3
    again = read_log(out)
    assert list(again.rows()) == rows
    assert again.extra == ("Door",)


@pytest.mark.parametrize(
    ("form", "times"),
    [
        ("s", ("100", "101.5", "103")),
        ("min", ("0", "0.025", "0.05")),
        ("h", ("1", "1.000416666666667", "1.000833333333333")),
        ("epoch", ("1764115200", "1764115201.5", "1764115203")),
        ("epoch_ms", ("1764115200000", "1764115201500", "1764115203000")),
        ("iso", ("2025-11-26T00:00:00Z", "2025-11-26T01:00:01.5+01:00", "2025-11-26 00:00:03")),
        ("clock", ("23:59:58", "23:59:59.5", "0:00:01")),
        ('"%d/%m/%y %H.%M.%S.%f"', ("26/11/25 00.00.00.0", "26/11/25 00.00.01.5", "26/11/25 00.00.03.0")),
    ],
)
def test_every_form_of_time(form: str, times: tuple[str, ...], tmp_path: Path) -> None:
    log = "when,oven\n" + "".join(f"{time},{20 + n}\n" for n, time in enumerate(times))
    found = samples(tmp_path, log, f"time: {{column: when, form: {form}}}\ncolumns: {{oven_c: {{column: oven}}}}\n")
    assert [sample.time_s for sample in found] == [0.0, 1.5, 3.0]
    assert [sample.oven_c for sample in found] == [20.0, 21.0, 22.0]


@pytest.mark.parametrize(
    ("unit", "value", "pascal"),
    [
        # Factors: shared/reference/pressure_units.csv.
        ("Pa", "1000", 1000.0),
        ("mbar", "10", 1000.0),
        ("kPa", "1", 1000.0),
        ("Torr", "760", 101325.0),
        ("micron", "1000", 133.322368421),
        ("kPa vacuum", "100", 1325.0),
        ("mbar gauge", "-1000", 1325.0),
        ("psi gauge", "0", 101325.0),
    ],
)
def test_every_kind_of_pressure(unit: str, value: str, pascal: float, tmp_path: Path) -> None:
    log_map = f"time: {{column: t, form: s}}\ncolumns: {{chamber_pa: {{column: p, unit: {unit}}}}}\n"
    (found,) = samples(tmp_path, f"t\tp\n0\t{value}\n", log_map)
    assert found.chamber_pa == pytest.approx(pascal, rel=1e-9)


def test_files_that_were_not_saved_as_utf8(tmp_path: Path) -> None:
    log_map = "encoding: {}\ntime: {{column: Zeit, form: s}}\ncolumns: {{oven_c: {{column: Ofen °C}}}}\n"
    for encoding in ("utf-16", "latin-1", "cp1252"):
        (found,) = samples(tmp_path, "Zeit;Ofen °C\r\n0;21\r\n", log_map.format(encoding), encoding)
        assert found.oven_c == 21.0


def test_lines_before_the_names_and_blank_lines_are_passed_over(tmp_path: Path) -> None:
    log = "Logger 4711\nSerial 99\nt,oven\n\n0,20\n , \n1,21\n"
    log_map = "names_in_line: 3\ntime: {column: t, form: s}\ncolumns: {oven_c: {column: oven}}\n"
    assert [sample.oven_c for sample in samples(tmp_path, log, log_map)] == [20.0, 21.0]


def test_words_that_yaml_takes_for_truth(tmp_path: Path) -> None:
    log = "t,relay\n0,ON\n1,off\n2,Off\n"
    log_map = "time: {column: t, form: s}\ncolumns: {heat: {column: relay, one: [ON], zero: [OFF]}}\n"
    assert [sample.heat for sample in samples(tmp_path, log, log_map)] == [True, False, False]


def test_rows_out_of_order_can_be_left_out(tmp_path: Path) -> None:
    log = "t,oven\n0,20\n2,21\n1,22\n2,23\n3,24\n"
    log_map = "time: {column: t, form: s, backwards: drop}\ncolumns: {oven_c: {column: oven}}\n"
    assert [sample.time_s for sample in samples(tmp_path, log, log_map)] == [0.0, 2.0, 3.0]


PLAIN = "time: {column: t, form: s}\ncolumns: {oven_c: {column: oven, unit: degF}}\n"


@pytest.mark.parametrize(
    ("log", "log_map", "words"),
    [
        ("t,oven\n0,20\n0,21\n", PLAIN, (":3:", "not after", "backwards: drop")),
        ("t,oven\n0,warm\n", PLAIN, (":2:", "oven is 'warm'", "empty list")),
        ('t,oven\n0,"21,5"\n', PLAIN, (":2:", "'21,5'", "decimal mark '.'")),
        ("t,oven\nsoon,20\n", PLAIN, (":2:", "t is 'soon'", "form s", "time.form")),
        ("t,oven\n0,-999\n", PLAIN, (":2:", "-999", "oven_c", "empty list")),
        ("t,oven\n0,20,3\n", PLAIN, (":2:", "3 cells", "2")),
        ("t,oven\n0\n", PLAIN, (":2:", "1 cells")),
        ("time,oven\n0,20\n", PLAIN, (":1:", "no column t", "time, oven")),
        ("", PLAIN, (":1:", "no column names")),
        ("t,relay\n0,up\n", "time: {column: t, form: s}\ncolumns: {heat: {column: relay}}", (":2:", "'up'", "1, 0")),
        ("t,oven\n2026-13-01,20\n", PLAIN.replace("form: s", "form: iso"), (":2:", "form iso")),
    ],
)
def test_what_cannot_be_read_is_one_sentence(log: str, log_map: str, words: tuple[str, ...], tmp_path: Path) -> None:
    with pytest.raises(LogError) as caught:
        read(tmp_path, log, log_map)
    said = str(caught.value)
    assert said.startswith(str(tmp_path))
    assert len(said.splitlines()) == 1
    for word in words:
        assert word in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ("a map has keys", "lastbubble log map")),
        ("- a\n", ("a map has keys",)),
        ("time: {column: t\n", (":2:", "not a map")),
        ("when: {column: t}\n", ("when is unknown", "time is missing", "columns is missing")),
        ("time: {column: t, form: soon}\n", ("time.form is 'soon'", "epoch_ms")),
        ("time: {form: s, zone: x}\n", ("time.column is missing", "time.zone is unknown")),
        (PLAIN + "decimal: '*'\n", ("decimal is '*'",)),
        (PLAIN + "delimiter: ';;'\n", ("delimiter is ';;'",)),
        (PLAIN + "encoding: klingon\n", ("encoding is 'klingon'",)),
        (PLAIN + "names_in_line: 0\n", ("names_in_line is 0",)),
        (PLAIN + "empty: NA\n", ("empty is 'NA'", "list")),
        (PLAIN + "header: 5\n", ("header is 5",)),
        (PLAIN.replace("degF", "furlong"), ("columns.oven_c.unit is 'furlong'", "degC, degF, K")),
        (PLAIN.replace("oven_c", "oven"), ("columns.oven is none of ours", "oven_c")),
        (PLAIN.replace("column: oven, ", ""), ("columns.oven_c needs column",)),
        (PLAIN.replace("unit", "units"), ("columns.oven_c.units is unknown",)),
        (
            "time: {column: t, form: s}\ncolumns: {chamber_pa: {column: p, unit: inHg vacuum, barometer: 29.9}}\n",
            ("columns.chamber_pa.barometer", "'29.9'", "inHg"),
        ),
        (
            "time: {column: t, form: s}\ncolumns: {mark: {column: n, words: {go: gone}}}\n",
            ("columns.mark.words gives 'gone'", "pump_on"),
        ),
    ],
)
def test_every_fault_of_a_map_is_told(text: str, words: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text(text)
    with pytest.raises(LogError) as caught:
        load_map(path)
    for word in words:
        assert word in str(caught.value)


def test_the_example_is_a_map(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text(EXAMPLE)
    assert set(load_map(path).columns) == {"chamber_pa", "oven_c", "heat", "mark"}


def test_a_draft_names_their_columns(tmp_path: Path) -> None:
    path = tmp_path / "theirs.csv"
    path.write_text("Elapsed (min);Oven: top;Vac\n0;1;2\n")
    draft = draft_map(path)
    told = yaml.safe_load(draft)
    assert told["time"]["column"] == "Elapsed (min)"
    assert told["delimiter"] == ";"
    assert "'Oven: top'" in draft
    assert "'Vac'" in draft
