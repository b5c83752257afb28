"""The pages about topics and messages say what the program does."""

from __future__ import annotations

from lastbubble.outlets.homie import NODES
from lastbubble.outlets.phone import PhoneSettings
from tests.house.test_arrows import PACKAGE

DOCS = PACKAGE.parents[1] / "docs"


def test_the_topics_page_names_every_property() -> None:
    page = (DOCS / "mqtt.md").read_text(encoding="utf-8")
    for node, (_, properties) in NODES.items():
        for name, told in properties.items():
            if node == "event":
                assert f"`{name}`" in page
            elif node == "forecast":
                assert name.rpartition("-")[2] in page
            else:
                assert f"| `{node}/{name}` | {told.name} | {told.datatype}" in page
                assert told.unit in page


def test_the_messages_page_tells_the_pauses_that_are_held() -> None:
    page = (DOCS / "phone.md").read_text(encoding="utf-8")
    settings = PhoneSettings()
    assert (settings.repeat_s, settings.repeat_late_s, settings.late_s) == (300.0, 900.0, 3600.0)
    assert "every five minutes (after an hour, every quarter of an hour)" in page
    assert (settings.stale_s, settings.give_up_s) == (1800.0, 43200.0)
    assert "older than half an hour" in page
    assert "older than twelve hours" in page
