"""The failures that concern heat, by number, and the page's tables, made from what the harness saw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from tools.fault_cases.cases import CASES
from tools.fault_cases.plan import Outcome

__all__ = ["BEGIN", "END", "FAILURES", "Failure", "markdown"]

BEGIN: Final = "<!-- what ./tools/faults --markdown gave: begin -->"
END: Final = "<!-- what ./tools/faults --markdown gave: end -->"


@dataclass(frozen=True, slots=True)
class Failure:
    """what : goes wrong;  beside : what covers what no case can, or what software cannot, and why; "" where nothing"""

    what: str
    beside: str = ""


_LIMITER: Final = "covered by the independent limiter (thermal fuse): "
_DESIGN: Final = "by design: "

#: By the number that the rules and the cases name. A gap in the numbers is a failure that has nothing to do with heat.
FAILURES: Final[Mapping[str, Failure]] = {
    "F-01": Failure("bus or converter dead, every bit 0: looks like 0 degC"),
    "F-02": Failure("bus high or floating, every bit 1"),
    "F-03": Failure("thermocouple open, for good or now and then"),
    "F-04": Failure("grounded probe on an earthed oven"),
    "F-05": Failure("converter board with a grounded input"),
    "F-06": Failure("fault bits switched off by a setting", _DESIGN + "there is no such setting"),
    "F-07": Failure("several fault bits at once"),
    "F-08": Failure("leads touching: reads the cable, no fault bit"),
    "F-09": Failure("swapped wires: reads down as the oven goes up"),
    "F-10": Failure("thermocouple or converter of another type", _LIMITER + "a probe that was swapped after its check"),
    "F-11": Failure("copper in the extension: reads low", _LIMITER + "a probe alone, spoilt after its check"),
    "F-12": Failure("probe fell out, heater runs on"),
    "F-13": Failure(
        "probe half out or behind the load: reads plausibly low", _LIMITER + "one probe alone can only be warned of"
    ),
    "F-14": Failure("probe at the element; overshoot; a fire or a reacting pot"),
    "F-15": Failure("the converter's board is heated by the oven"),
    "F-16": Failure("mains noise on the probe's wires"),
    "F-17": Failure("single spikes"),
    "F-18": Failure("bits slipped by one place: reads half or double"),
    "F-19": Failure("one data bit or pin dead"),
    "F-20": Failure("two converters answer at once", _DESIGN + "chip selects on CE0 and CE1 are refused"),
    "F-21": Failure("chip select busy"),
    "F-23": Failure("an old frame left in the driver's buffer after an error"),
    "F-24": Failure("a transfer that never returns, a bus left locked"),
    "F-25": Failure("the reading stands still"),
    "F-26": Failure("read faster than the converter converts", _DESIGN + "at most 5 readings a second"),
    "F-27": Failure("the driver's many exceptions"),
    "F-29": Failure("rare bit errors on long wires"),
    "F-30": Failure(
        "solid-state relay fails closed", _LIMITER + "software can only say so; it cannot open what is shorted"
    ),
    "F-31": Failure("contactor welds", _LIMITER + "as for a shorted solid-state relay"),
    "F-32": Failure("a stop that only restarts the controller", _LIMITER + "a second path for the power"),
    "F-33": Failure("relay, fuse or element dead: no heat"),
    "F-34": Failure("active-low relay board, pulled in at start", _DESIGN + "active-high only"),
    "F-35": Failure("board that cannot switch off", "covered by the lamp test at commissioning, then by the limiter"),
    "F-36": Failure("pin before any software", "covered by the choice of pin and the pull-down on the board"),
    "F-37": Failure("leakage of a solid-state relay holds a contactor", "covered by the lamp test at commissioning"),
    "F-38": Failure("contact worn by chatter"),
    "F-39": Failure(
        "switching noise", "covered by a suppressor; readings near an edge are not believed by the buttons"
    ),
    "F-40": Failure("ghost press, stuck button, broken stop wire"),
    "F-41": Failure(
        "the guard is killed with the relay closed",
        "covered by `dtparam=strict_gpiod` with the pull-down, or by the pulsed drive",
    ),
    "F-42": Failure("the pin floats after the program", "covered by the pull-down on the board"),
    "F-43": Failure("ended by a signal"),
    "F-44": Failure("an error swallowed on the way out"),
    "F-50": Failure("a second guard"),
    "F-51": Failure("another program drives the line", _LIMITER + "a line that another hand holds high"),
    "F-58": Failure("broken transducer wire reads as deep vacuum"),
    "F-64": Failure("serial adapter pulled out"),
    "F-65": Failure("it comes back under another name", _DESIGN + "names by udev"),
    "F-68": Failure("half a line taken for a number"),
    "F-69": Failure("bytes that trickle"),
    "F-71": Failure("garbage on the line"),
    "F-74": Failure("bus gauge with stray bytes"),
    "F-75": Failure("late answers of a bus gauge"),
    "F-79": Failure("the guard hangs", "covered by the unit's watchdog, 2 s, or by the pulsed drive"),
    "F-80": Failure(
        "nobody watches, or the watcher does not read", _DESIGN + "no permit under systemd without a watchdog"
    ),
    "F-82": Failure("ended by the watchdog", "covered by what the kernel does with a dead owner's line, as for a kill"),
    "F-83": Failure("start limit reached", _DESIGN + "the guard's unit has none"),
    "F-84": Failure("out of memory", "covered as for a kill; the guard is the last that the kernel chooses"),
    "F-85": Failure(
        "the kernel hangs", "covered by the hardware watchdog, 10 s, then by the pins' state at reset: no program runs"
    ),
    "F-86": Failure("the clock steps back"),
    "F-87": Failure("the clock jumps by days"),
    "F-88": Failure("supply too weak", "covered by the contactor, which falls off; told at the start"),
    "F-89": Failure("card turned read-only"),
    "F-90": Failure("card forgets what it took", _DESIGN + "no permit is ever stored, so none can come back"),
    "F-91": Failure("disk full"),
    "F-92": Failure("power cut while something is written", "the contactor falls off; cuts are tried with `--vm`"),
    "F-93": Failure("write-ahead log grows"),
    "F-94": Failure("a write that finds the ledger locked"),
    "F-95": Failure("ledger or latch damaged"),
    "F-97": Failure("a bad message from the broker"),
    "F-98": Failure("the broker is frozen"),
    "F-99": Failure("the broker is away for long"),
    "F-101": Failure("no broker at the start"),
    "F-106": Failure("the broker dies"),
    "F-108": Failure("commands from the network, kept ones too"),
    "F-109": Failure("the broker comes back empty"),
    "F-112": Failure("the phone's service blocks"),
    "F-115": Failure("the phone's service refuses"),
    "F-117": Failure("nobody can be told", "the lamp at the bench is the alarm; the phone is comfort"),
    "F-118": Failure("browsers that do not read"),
    "F-119": Failure("the service blocks"),
    "F-120": Failure("a thread or process dies unseen"),
    "F-122": Failure("starved or flooded"),
    "F-124": Failure("service dead, guard alive"),
    "F-127": Failure("left on for days"),
    "F-128": Failure("dial moved, door opened, timer ran out"),
    "F-129": Failure("oven plugged into the wall", _LIMITER + "the relay is not in the circuit any more"),
    "F-130": Failure("degF typed for degC"),
    "F-131": Failure("probes swapped"),
    "F-132": Failure("permit or reset without looking"),
    "F-133": Failure("checks tuned off", _DESIGN + "the ceiling of 150 degC is no setting; false trips are counted"),
}


def markdown(outcomes: Mapping[str, Outcome]) -> str:
    """Both tables of docs/safety.md, between its two marks: what was seen, and what each failure rests on."""
    rows = [
        "| case | what is done | seen by | reaction | relay open (or alarm) after | recorded | told |",
        "|---|---|---|---|---|---|---|",
    ]
    for case in CASES:
        outcome = outcomes.get(case.name)
        if outcome is None:
            rows.append(f"| `{case.name}` | {case.fault} | not run | | | | |")
            continue
        after = "" if outcome.after_s is None else f"{round(outcome.after_s, 2 if outcome.after_s < 10 else None):g} s"
        clock = " (real)" if after and outcome.clock == "real" else ""
        reaction = outcome.reaction if outcome.safe else f"**UNSAFE** {outcome.finding}"
        rows.append(
            f"| `{case.name}` | {case.fault} | {outcome.seen_by or '-'} | {reaction} | {after or '-'}{clock} | "
            f"{', '.join(outcome.recorded) or '-'} | {', '.join(outcome.told) or '-'} |"
        )
    unsafe = sum(not outcome.safe for outcome in outcomes.values())
    failures = ["| number | what fails | cases | beside them |", "|---|---|---|---|"]
    for number, failure in FAILURES.items():
        shown = [f"`{case.name}`" for case in CASES if number in case.rows]
        beside = [failure.beside, *(case.covered for case in CASES if number in case.rows and case.covered)]
        told = "; ".join(dict.fromkeys(text for text in beside if text))
        failures.append(f"| {number} | {failure.what} | {', '.join(shown) or '-'} | {told or '-'} |")
    count = f"{len(outcomes)} injected, {len(outcomes) - unsafe} safe, {unsafe} unsafe"
    return "\n".join([BEGIN, "", *rows, "", count, "", "### Failures by number", "", *failures, "", END])
