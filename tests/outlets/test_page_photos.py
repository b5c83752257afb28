"""A photo from the page over real HTTP: kept as those of the command line are, and everything that is refused."""

from __future__ import annotations

import html
import http.client
import re
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

from lastbubble.book.photos import PhotoShelf
from lastbubble.clock import RealClock
from lastbubble.errors import BadInput
from lastbubble.ledger.store import Ledger
from lastbubble.outlets.page import photos as photos_module
from lastbubble.outlets.page.auth import hash_password
from lastbubble.outlets.page.photos import MOST_B
from lastbubble.outlets.page.server import PageServer, PageSettings
from lastbubble.settings import load_text
from lastbubble.station import Station
from lastbubble.units import Display
from tests.book.conftest import SMALL, fill
from tests.outlets.brokers import wait_for
from tests.outlets.shelf import Shelf

JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 2000
END = b"--edge--\r\n"


class Bench:
    """A page server on a book of its own."""

    def __init__(self, folder: Path, password: str = "") -> None:
        self.ledger = Ledger.open(folder / "ledger.db", SMALL)
        fill(self.ledger)
        self.folder = folder / "photos"
        self.source = Shelf(self.ledger)
        stored = hash_password(password) if password else ""
        settings = PageSettings(port=0, password=stored)
        self.server = PageServer(settings, "bench", Display(), RealClock(), self.source)
        self.server.start()

    def files(self) -> list[str]:
        return sorted(path.name for path in self.folder.iterdir()) if self.folder.exists() else []

    def photos(self) -> list[Mapping[str, str]]:
        return list(self.ledger.batch(1).book.get("photos", []))

    def close(self) -> None:
        self.server.close()
        self.ledger.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.close()


def text_part(name: str, text: str) -> bytes:
    return f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{text}\r\n'.encode()


def photo_part(data: bytes, name: str = "IMG 1.jpeg", kind: str = "image/jpeg") -> bytes:
    head = f'--edge\r\nContent-Disposition: form-data; name="photo"; filename="{name}"\r\nContent-Type: {kind}\r\n\r\n'
    return head.encode() + data + b"\r\n"


def form(data: bytes = JPEG, note: str = "before the resin", who: str = "me") -> bytes:
    """As a browser sends the page's form."""
    return (
        text_part("ask", "batch_photo") + text_part("once", "x") + text_part("note", note) + text_part("who", who)
        + photo_part(data) + END
    )  # fmt: skip


Answer = tuple[int, str, Mapping[str, str]]


def send(bench: Bench, body: bytes, path: str = "/batch/1/photo", **more: str) -> Answer:
    link = http.client.HTTPConnection("127.0.0.1", bench.server.port, timeout=30)
    headers = {"Content-Type": "multipart/form-data; boundary=edge", "Accept": "text/html",
               "Origin": f"http://127.0.0.1:{bench.server.port}"}  # fmt: skip
    link.request("POST", path, body, headers | {name.replace("_", "-"): text for name, text in more.items()})
    answer = link.getresponse()
    text = html.unescape(answer.read().decode())
    link.close()
    return answer.status, text, dict(answer.getheaders())


def get(bench: Bench, path: str) -> str:
    link = http.client.HTTPConnection("127.0.0.1", bench.server.port, timeout=20)
    link.request("GET", path, headers={"Accept": "text/html"})
    text = link.getresponse().read().decode()
    link.close()
    return text


def test_a_photo_from_the_page_stands_where_one_of_the_command_line_stands(bench: Bench, tmp_path: Path) -> None:
    status, _, headers = send(bench, form())
    assert status == 303
    assert re.fullmatch(r"/batch/1\?kept=\d\d:\d\d:\d\d", headers["Location"])
    (name,) = bench.files()
    path = bench.folder / name
    assert path.read_bytes() == JPEG
    (photo,) = bench.photos()
    assert (photo["path"], photo["note"]) == (str(path), "before the resin")
    # The same photo as the command line tells it, and both as page and report show them.
    other = tmp_path / "there.jpg"
    other.write_bytes(JPEG)
    bench.source.keeper.answer("batch_photo", {"batch": 1, "path": str(other), "sha256": photo["sha256"],
                                               "note": "before the resin", "who": "me"})  # fmt: skip
    ours, theirs = bench.photos()
    assert set(ours) == set(theirs)
    page, report = get(bench, "/batch/1"), get(bench, "/report/1")
    for one in (str(path), str(other)):
        assert f"Photo: {one} before the resin" in page
        assert f"<figcaption>before the resin {one}</figcaption>" in report
    assert report.count('<img src="data:image/jpeg;base64,') == 2


def test_the_form_on_the_batchs_page_works_without_a_script(bench: Bench) -> None:
    page = get(bench, "/batch/1")
    (found,) = re.findall(r"<form [^>]*/batch/1/photo.*?</form>", page)
    for part in ('method="post"', 'enctype="multipart/form-data"', 'type="file"', 'accept="image/jpeg,',
                 '<label for="photo-photo">Photo', " required"):  # fmt: skip
        assert part in found, part
    fields = re.findall(r'name="([^"]+)"', found)
    assert fields.index("photo") == len(fields) - 1, "what stands after a photo that is too large is never read"
    body = b"".join(text_part(name, "t") for name in fields[:-1]) + photo_part(JPEG) + END
    assert send(bench, body)[0] == 303
    assert bench.photos()[0]["note"] == "t"


def test_a_name_tells_neither_kind_nor_place(bench: Bench) -> None:
    png = b"\x89PNG\r\n\x1a\n" + b"\x00" * 40
    body = photo_part(png, "../../../tmp/evil.html", "text/html") + END
    assert send(bench, body)[0] == 303
    (name,) = bench.files()
    assert re.fullmatch(r"batch-1-[0-9a-f]{16}\.png", name)


REFUSED: dict[str, tuple[bytes, str]] = {
    "empty": (form(b""), "is empty; choose a photo again"),
    "no photo": (form(b"<script>alert(1)</script>" * 9000), "is no photo, whatever its name says"),
    "a phone's own kind": (form(b"\x00\x00\x00\x18ftypheic" + b"\x00" * 400_000), "set the camera to JPEG"),
    "none chosen": (text_part("note", "n") + END, "choose one"),
    "no end": (form()[: -len(END)], "choose the photo there"),
    "half a photo, and then an end of its own": (form()[: -len(END) - 20_000], "choose the photo there"),
    "two photos": (photo_part(JPEG) + photo_part(JPEG) + END, "choose the photo there"),
    "parts without end": (text_part("a", "b") * 40 + END, "choose the photo there"),
    "parts in parts": (b"--edge\r\nContent-Type: multipart/mixed; boundary=in\r\n\r\n--in--\r\n" + END, "form cannot"),
    "no parts": (b"a=b", "form cannot be read"),
    "a long note": (form(note="y" * 3000), "note is too long"),
    "a note over the desk's bound": (form(note="y" * 300), "at most 200 characters"),
    "a note in no letters": (form().replace(b"before the resin", b"\xff\xfe"), "form cannot be read"),
}


@pytest.mark.parametrize("why", REFUSED)
def test_what_is_refused_says_its_mend_and_leaves_nothing(bench: Bench, why: str) -> None:
    body, words = REFUSED[why]
    status, text, headers = send(bench, body)
    assert status == 400
    assert headers["Content-Type"].startswith("text/html")
    assert "<title>Not taken: Batch 1" in text
    assert words in text[text.index("Not kept") :]
    assert "Traceback" not in text
    assert (bench.files(), bench.photos()) == ([], [])


def test_a_refused_photo_keeps_what_was_typed_and_stands_at_its_field(bench: Bench) -> None:
    text = send(bench, form(b"no photo at all", note='a "quoted" <note>'))[1]
    assert 'value="a "quoted" <note>"' in text, "escaped in the page; unescaped here"
    bad = re.search(r'<input id="photo-photo"[^>]*>', text)
    assert bad is not None
    for part in ('aria-invalid="true"', 'aria-describedby="photo-photo-why"', "autofocus"):
        assert part in bad[0]
    assert "<details open><summary>Add a photo" in text
    assert '<a href="#photo-photo">Photo</a>' in text


def test_too_large_is_refused_with_its_size_and_what_was_typed(bench: Bench) -> None:
    status, text, _ = send(bench, form(JPEG + bytes(30_000_000)))
    assert status == 413
    assert "is 31 MB; at most 10 MB is taken" in text
    assert 'value="before the resin"' in text
    assert (bench.files(), bench.photos()) == ([], [])


def test_a_size_beyond_all_measure_is_answered_at_once(bench: Bench) -> None:
    head = (
        f"POST /batch/1/photo HTTP/1.1\r\nHost: 127.0.0.1:{bench.server.port}\r\nAccept: text/html\r\n"
        f"Origin: http://127.0.0.1:{bench.server.port}\r\nContent-Type: multipart/form-data; boundary=edge\r\n"
        f"Content-Length: {10**12}\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", bench.server.port), 20) as link:
        link.sendall(head.encode() + photo_part(JPEG))
        answer = http.client.HTTPResponse(link)
        answer.begin()
        assert answer.status == 413
    assert bench.files() == []


def test_a_body_that_does_not_say_how_long_it_is_is_not_taken(bench: Bench) -> None:
    link = http.client.HTTPConnection("127.0.0.1", bench.server.port, timeout=20)
    headers = {"Content-Type": "multipart/form-data; boundary=edge", "Origin": f"http://127.0.0.1:{bench.server.port}"}
    link.request("POST", "/batch/1/photo", iter([form()]), headers, encode_chunked=True)
    assert link.getresponse().status == 400
    link.close()
    assert (bench.files(), bench.photos()) == ([], [])


def test_a_refusal_waits_for_a_sender_who_reads_no_answer_before_all_is_sent(bench: Bench) -> None:
    body = form(b"no photo " * 50_000)
    with begun(bench, body) as link:
        link.settimeout(0.5)
        with pytest.raises(TimeoutError):
            link.recv(1)
        link.settimeout(20)
        link.sendall(body[len(body) // 2 :])
        answer = http.client.HTTPResponse(link)
        answer.begin()
        assert answer.status == 400


def begun(bench: Bench, body: bytes) -> socket.socket:
    """A request of which the first half is sent."""
    head = (
        f"POST /batch/1/photo HTTP/1.1\r\nHost: 127.0.0.1:{bench.server.port}\r\nAccept: text/html\r\n"
        f"Origin: http://127.0.0.1:{bench.server.port}\r\nContent-Type: multipart/form-data; boundary=edge\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    )
    link = socket.create_connection(("127.0.0.1", bench.server.port), 20)
    link.sendall(head.encode() + body[: len(body) // 2])
    return link


def halfway(bench: Bench) -> socket.socket:
    """A photo of which the first half is here."""
    link = begun(bench, form(JPEG * 8))
    wait_for(lambda: any(name.startswith(".coming") for name in bench.files()), "it is coming")
    return link


@pytest.mark.parametrize("how", ["gone", "no more"])
def test_a_photo_that_is_broken_off_leaves_nothing(bench: Bench, how: str) -> None:
    link = halfway(bench)
    if how == "gone":
        link.close()
    else:
        link.shutdown(socket.SHUT_WR)
    wait_for(lambda: bench.files() == [], "nothing of it is left")
    assert bench.photos() == []
    link.close()
    assert send(bench, form())[0] == 303, "and the next one is taken"


def test_a_photo_that_stands_still_is_given_up_with_words(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos_module, "STILL_S", 0.3)
    with halfway(bench) as link:
        answer = http.client.HTTPResponse(link)
        answer.begin()
        assert answer.status == 408
        assert "nearer to the network" in html.unescape(answer.read().decode())
    assert (bench.files(), bench.photos()) == ([], [])


def test_few_come_at_once_and_others_are_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos_module, "MOST_AT_ONCE", 1)
    with halfway(bench):
        status, text, headers = send(bench, form())
        assert (status, headers["Retry-After"]) == (503, "10")
        assert "in a moment" in text
    wait_for(lambda: bench.files() == [])
    assert send(bench, form())[0] == 303


def test_a_photo_is_never_whole_in_memory(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every piece that is handed on is small, however large the photo."""
    sizes: list[int] = []
    real: Callable[[PhotoShelf, int], photos_module.PhotoPlace] = PhotoShelf.coming

    def watched(self: PhotoShelf, batch: int) -> photos_module.PhotoPlace:
        place = real(self, batch)
        write = place.write

        def counted(data: bytes) -> None:
            sizes.append(len(data))
            write(data)

        place.write = counted  # type: ignore[method-assign]
        return place

    monkeypatch.setattr(PhotoShelf, "coming", watched)
    assert send(bench, form(JPEG + bytes(8_000_000)))[0] == 303
    assert sum(sizes) == len(JPEG) + 8_000_000
    assert max(sizes) <= 2 * 65536


def test_a_mark_waits_for_no_photo(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    held, go = threading.Event(), threading.Event()
    real = bench.source.photo

    def slow(batch: int) -> object:
        held.set()
        assert go.wait(30)
        return real(batch)

    monkeypatch.setattr(bench.source, "photo", slow)
    answers: list[int] = []
    threads = [threading.Thread(target=lambda: answers.append(send(bench, form())[0])) for _ in range(3)]
    for thread in threads:
        thread.start()
    try:
        assert held.wait(20)
        for asked in ("cut", "mark"):
            body = f"ask={asked}&mark=rocked".encode() if asked == "mark" else b"ask=cut"
            kind = "application/x-www-form-urlencoded"
            assert send(bench, body, "/ask", Content_Type=kind)[0] == 303
        assert "Batch 1" in get(bench, "/batch/1")
    finally:
        go.set()
        for thread in threads:
            thread.join(20)
    assert answers == [303] * 3


def test_no_such_batch_takes_no_photo(bench: Bench) -> None:
    status, text, _ = send(bench, form(), "/batch/99/photo")
    assert status == 400
    assert "99" in text
    assert bench.files() == []


def test_a_program_is_told_the_field(bench: Bench) -> None:
    status, text, _ = send(bench, form(b"no"), Accept="application/json")
    assert status == 400
    assert '"fields": {"photo": "is no photo' in text
    assert '"photos": 1' in send(bench, form(), Accept="application/json")[1]


def test_who_has_not_signed_in_or_comes_from_elsewhere_leaves_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "correct horse")
    try:
        assert send(bench, form())[0] == 401
        cookie = f"lastbubble={bench.server._sessions.begin(bench.server._clock.now())}"
        assert send(bench, form(), Cookie=cookie, Origin="http://elsewhere.example")[0] == 403
        assert bench.files() == []
        assert send(bench, form(), Cookie=cookie)[0] == 303
        assert len(bench.photos()) == 1
    finally:
        bench.close()


def test_the_whole_request_has_room_for_the_largest_photo() -> None:
    from lastbubble.book.photos import LARGEST_B

    assert LARGEST_B + 10_000 < MOST_B < LARGEST_B + 100_000


def test_the_station_itself_keeps_it_beside_its_ledger_and_notes_where_it_came_from(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    text = (
        f"station: bench\nruntime_dir: {tmp_path}/run\nledger: {{path: {tmp_path}/book/ledger.db}}\n"
        "oven: {probes: [{name: oven, select_pin: 5}]}\nguard: {limit: 130 degC, relay_pin: 17}\n"
    )
    station = Station(load_text(text, "s.yaml").settings, RealClock())
    station.open()
    try:
        number = station.service.batch_id
        with pytest.raises(BadInput, match="99"):
            station.photo(99)
        coming = station.photo(number)
        coming.write(JPEG)
        assert coming.keep("before", "me")["ok"]
        book = station.batch(number)["book"]
        (photo,) = book["photos"]
        assert Path(photo["path"]).parent == tmp_path / "book" / "photos"
        assert [(deed["what"], deed["who"], deed["way"]) for deed in book["deeds"]][-1] == ("photo", "me", "page")
        # What the page tells itself is still asked as the page's: a path is none of its own.
        assert station.ask({"ask": "batch_photo", "batch": number, "path": "/etc/passwd"})["ok"] is False
        assert len(station.batch(number)["book"]["photos"]) == 1
    finally:
        station.close()
