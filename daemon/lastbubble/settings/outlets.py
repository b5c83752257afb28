"""Where the record goes: ledger, broker, phone, page."""

from __future__ import annotations

from ipaddress import ip_address
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from lastbubble.settings.quantities import AbsolutePath, Count, Quantity, Text
from lastbubble.settings.section import Section, key, secret

__all__ = ["LedgerKeys", "Metrics", "Mqtt", "Page", "Phone"]

Host = Annotated[
    str,
    Text(
        r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?|[0-9a-fA-F:]*:[0-9a-fA-F:.]*",
        "a host name or an address, without scheme and port",
        "write such as localhost or broker.lan",
        253,
    ),
]


def _numbered(text: str) -> None:
    try:
        ip_address(text)
    except ValueError:
        raise ValueError(f"{text} is no address") from None


Address = Annotated[
    str,
    Text(
        r"[0-9a-fA-F:.]+",
        "an address in numbers, as 127.0.0.1 or fd00::2",
        "write the one address that the proxy itself asks from; a name could be another machine tomorrow",
        45,
        _numbered,
    ),
]
Port = Annotated[int, Count(1, 65535)]
Word = Annotated[str, Text(r".+", "a text of 1 to 200 characters", "write it, or delete the line")]
ClockTime = Annotated[str, Text(r"(?:[01]\d|2[0-3]):[0-5]\d", "a time of day, 00:00 to 23:59", 'write such as "22:30"')]
Url = Annotated[
    str,
    Text(
        r"[A-Za-z][A-Za-z0-9+.-]*://\S+",
        "an address of the form scheme://...",
        "see the notification library's list of services",
        2000,
    ),
]


PageHash = Annotated[
    str,
    Text(
        r"scrypt\$\d+\$\d+\$\d+\$[A-Za-z0-9+/=_-]+\$[A-Za-z0-9+/=_-]+",
        "what `lastbubble page password` prints, beginning with scrypt$",
        "run it and copy its line; a password as it is typed has no place in a file",
        500,
    ),
]


def _known_zone(name: str) -> None:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"there is no zone {name} on this machine") from None


TimeZone = Annotated[
    str,
    Text(
        r"[A-Za-z][A-Za-z0-9_+-]*(?:/[A-Za-z0-9_+-]+)*",
        "a name of the time zone database",
        "write such as Europe/Lisbon, or UTC",
        60,
        _known_zone,
    ),
]


class LedgerKeys(Section):
    """The record of every batch: one SQLite file."""

    path: AbsolutePath = key(
        "the file; its folder has to be on a disk that keeps what it is told", "/var/lib/lastbubble/ledger.db"
    )
    commit: Annotated[float, Quantity("duration", 0.5, 30, "s")] = key("what a power cut may cost at most", 5.0)


class Mqtt(Section):
    """The broker. Without this group nothing is published."""

    host: Host = key("the broker", "localhost")
    port: Port | None = key("its port (without it: 1883, or 8883 with tls)", None)
    username: Word | None = key("user at the broker", None)
    password: Word | None = secret("its password; better in password_file", None)
    password_file: AbsolutePath | None = key("a file whose first line is the password", None)
    tls: bool = key("encrypt, and check the broker's certificate", False)
    ca_file: AbsolutePath | None = key("the authority to trust, if it is not one of the system's", None)
    version: Literal["5", "3.1.1"] = key("version of MQTT, in quotes", "5")
    domain: Annotated[
        str, Text(r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?", "a to z, 0 to 9 and dashes inside", "homie is what others expect")
    ] = key("first level of the topics", "homie")
    every: Annotated[float, Quantity("duration", 1, 300, "s")] = key("time between two rounds of values", 5.0)
    hub_prefix: (
        Annotated[
            str,
            Text(
                r"[A-Za-z0-9_-]+(?:/[A-Za-z0-9_-]+)*",
                "topic levels of letters, digits, _ and -, without a slash at either end",
                "look up in the hub's own manual on which prefix it listens for discovery",
                100,
            ),
        ]
        | None
    ) = key("announce the station to a home hub below this prefix; without it nothing is announced", None)


class Phone(Section):
    """Who is told, away from the bench. Without this group nobody is."""

    urls: list[Url] = secret("addresses in the form of the notification library (apprise)")
    quiet_from: ClockTime | None = key("from here on notices wait; alarms never do", None)
    quiet_to: ClockTime | None = key("until here", None)
    zone: TimeZone | None = key("time zone of quiet hours and times in messages (without it: the machine's)", None)
    repeat: Annotated[float, Quantity("duration", 60, 3600, "min")] = key(
        "an alarm comes again that often until somebody acknowledges it", 300.0
    )
    give_up: Annotated[float, Quantity("duration", 1800, 7 * 86400, "h")] = key(
        "what could not be sent for that long is not sent any more", 43200.0
    )


class Page(Section):
    """The station page. Without this group there is none."""

    host: Host = key(
        "address to listen on: 127.0.0.1 is this machine only, 0.0.0.0 the whole network (then it wants a password)",
        "127.0.0.1",
    )
    port: Annotated[int, Count(1024, 65535, "80 and its like need root, which the service has not")] = key(
        "port to listen on", 8087
    )
    password: PageHash | None = secret("what `lastbubble page password` printed: a hash, never the password", None)
    names: list[Host] = key("host names by which the page may be called besides its own, as behind a proxy", [])
    proxies: list[Address] = key(
        "addresses of proxies that are believed when they say (X-Forwarded-Proto) that a browser came over TLS", []
    )


class Metrics(Section):
    """Numbers for a metrics collector, as OpenMetrics text at /metrics. Without this group there are none."""

    host: Host = key("address to listen on; whoever reaches it can read, without a password", "127.0.0.1")
    port: Annotated[int, Count(1024, 65535, "80 and its like need root, which the service has not")] = key(
        "port to listen on", 9187
    )
