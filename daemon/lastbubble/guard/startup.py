"""What the guard looks at once, before its first cycle: findings that forbid a permit, and those worth a word."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lastbubble.guard.config import GuardSettings
from lastbubble.guard.notify import Notifier

__all__ = ["Findings", "days_since", "keeps_dead_owners_level", "look_around"]


@dataclass(frozen=True, slots=True)
class Findings:
    """unmet : forbid a permit until mended;  notes : said, no more"""

    unmet: tuple[str, ...]
    notes: tuple[str, ...]


def look_around(settings: GuardSettings, notifier: Notifier, root: Path = Path("/")) -> Findings:
    """The machine's own weaknesses. On a simulated bench there is no machine to look at."""
    unmet: list[str] = []
    notes: list[str] = []
    if settings.simulated:
        notes.append("simulated: no oven hangs on this guard")
        return Findings((), tuple(notes))
    keeps = keeps_dead_owners_level(root / "sys/module")
    if keeps is None:
        notes.append("this kernel does not say what a GPIO line does when its owner dies")
    elif keeps:
        text = (
            "this kernel keeps a dead owner's level on the relay's line: put dtparam=strict_gpiod into config.txt and "
            "restart"
        )
        # A pulsed driver drops out by itself when the edges stop, whatever level the line keeps.
        (notes if settings.drive == "pulsed" else unmet).append(text)
    if notifier.supervised and notifier.watchdog_s is None:
        unmet.append("systemd does not watch the guard: its unit needs Type=notify and WatchdogSec=2")
    elif not notifier.supervised:
        notes.append("not started by systemd: nobody restarts the guard or opens the relay behind it")
    dog = root / "sys/class/watchdog/watchdog0"
    try:
        state, timeout_s = (dog / "state").read_text().strip(), int((dog / "timeout").read_text())
        if state != "active":
            notes.append(f"the hardware watchdog is {state}: install the RuntimeWatchdogSec=10 drop-in")
        elif timeout_s > 15:
            notes.append(f"the hardware watchdog waits {timeout_s} s; a Pi's takes at most 15: set 10")
    except (OSError, ValueError):
        notes.append("there is no hardware watchdog to read: a frozen kernel would not be reset")
    return Findings(tuple(unmet), tuple(notes))


def keeps_dead_owners_level(modules: Path) -> bool | None:
    """True when this kernel keeps a GPIO output's level after its owner died; None when it does not say."""
    for module in ("pinctrl_bcm2835", "pinctrl_rp1"):
        try:
            text = (modules / module / "parameters" / "persist_gpio_outputs").read_text()
        except OSError:
            continue
        return text.strip().upper() in ("Y", "1")
    return None


def days_since(utc: str, now_utc: str) -> int | None:
    """Whole calendar days between two labels "2026-01-31T..."; None when either is no date. Labels, not physics."""
    from datetime import date

    try:
        return (date.fromisoformat(now_utc[:10]) - date.fromisoformat(utc[:10])).days
    except ValueError:
        return None
