"""What a case is, and what comes of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

if TYPE_CHECKING:
    from tools.fault_cases.rig import Rig

__all__ = ["NOTHING", "Act", "Alarms", "Case", "Expect", "Goes", "Opens", "Outcome", "Setup"]

Act = Callable[["Rig"], Any]


def NOTHING(rig: Rig) -> None:
    """No deed."""


@dataclass(frozen=True, slots=True)
class Setup:
    """The station of a case.

    clock : "bench" (the governor's time, as in the try-out) or "real"
    scene : of the oven, "hot" or "cold";  probes : wired, `oven` first
    guard : keys of the guard's settings;  extra : any other keys
    permit : heat is permitted and on before the fault comes;  warm_s : and has been for so long [s]
    strict : the kernel gives a dead owner's line back to its pull-down (`dtparam=strict_gpiod`)
    watched : the guard is watched by a stand-in of systemd, with the numbers of its unit
    parts : which processes are started;  gauge : as of `BenchWiring`
    broker, phone : "well" or "absent"
    service_pins : the service's pins are the simulated board's (it reads a transducer through a converter)
    """

    clock: Literal["bench", "real"] = "bench"
    scene: str = "hot"
    probes: tuple[str, ...] = ("oven",)
    guard: Mapping[str, Any] = field(default_factory=dict)
    extra: Mapping[str, Any] = field(default_factory=dict)
    permit: bool = True
    warm_s: float = 5.0
    strict: bool = True
    watched: bool = False
    parts: tuple[str, ...] = ("guard", "thermometer", "service")
    gauge: str = ""
    broker: Literal["well", "absent"] = "well"
    phone: Literal["well", "absent"] = "well"
    service_pins: bool = False


@dataclass(frozen=True, slots=True)
class Opens:
    """The relay opens within so many seconds and stays open.

    by : the rule that must be named, one of these; "" stands for nobody having to name it (the process that would is
        dead);  state : the guard's afterwards, "" where it is gone
    """

    within_s: float
    by: tuple[str, ...]
    state: Literal["tripped", "withheld", ""] = "tripped"


@dataclass(frozen=True, slots=True)
class Goes:
    """Heat goes on for so long, permitted, with no trip.

    caution : a rule that has to have warned meanwhile, "" for none
    """

    for_s: float
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Alarms:
    """The relay is open and heat comes all the same: all that software can do is to say so, within so many seconds."""

    within_s: float
    by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    """Heat was not permitted and must not become so. `why` is in the reason that is given."""

    why: str


Expect = Opens | Goes | Alarms | Refused
Kind = Literal["fault", "good"]


@dataclass(frozen=True, slots=True)
class Case:
    """One row.

    name : of the case;  rows : ids of the failures that it shows (`table.FAILURES`);  fault : what is done, in words
    inject : does it;  expect : what has to follow, or a function that finds out by itself
    before : done first, before the clock of the case starts to count
    covered : what covers what the guard cannot, "" where nothing is left to cover
    quick : part of the quick set;  needs_root : it puts a file system somewhere
    """

    name: str
    rows: tuple[str, ...]
    fault: str
    inject: Act
    expect: Expect | Callable[[Rig], Outcome]
    setup: Setup = field(default_factory=Setup)
    before: Act = NOTHING
    covered: str = ""
    kind: Kind = "fault"
    quick: bool = False
    needs_root: bool = False


@dataclass(slots=True)
class Outcome:
    """What came of a case.

    safe;  seen_by : rule or cause;  reaction : in words
    after_s : until the relay was open, or until heat was said to come anyway, None where heat rightly went on
    clock : whose seconds;  recorded, told : where;  finding : why it is not safe, or what else was seen
    """

    safe: bool
    seen_by: str = ""
    reaction: str = ""
    after_s: float | None = None
    clock: str = "bench"
    recorded: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    finding: str = ""


ACCURACY_S: Final = 0.25
