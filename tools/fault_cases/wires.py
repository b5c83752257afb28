"""Faults of thermocouple, converter and bus."""

from __future__ import annotations

from tools.fault_cases.plan import NOTHING, Act, Case, Goes, Opens, Refused, Setup
from tools.fault_cases.rig import Rig

__all__ = ["CASES", "GOOD"]

_BAD = ("no_usable_reading", "faults_in_a_row", "faults_too_often", "frames_missing")
_TWO = ("oven", "oven2")
#: No usable reading for a second, the last good one up to a frame old, and a cycle.
_SOON_S = 1.6


def _fault(kind: str, probe: str = "oven", **numbers: int) -> Act:
    return lambda rig: rig.probe_fault(kind, probe, **numbers)


def _place(**handles: str) -> Act:
    return lambda rig: rig.set(**handles)


def _flicker(rig: Rig) -> None:
    """Short to ground, two frames of five: as a grounded probe on an earthed oven does."""
    rig.probe_fault("set_bits", mask=0x00010002, on=2, period=5)


def _swings(rig: Rig) -> None:
    """A dead bit shows when the reading crosses its power of two, again and again: the dial stands there."""
    rig.set(dial_c=(96.0 + 6.0) / 0.95)


CASES = (
    Case("bus_all_zero", ("F-01",), "bus dead: every bit 0", _fault("zeros"), Opens(_SOON_S, _BAD), quick=True),
    Case("bus_all_one", ("F-02",), "line high or floating: every bit 1", _fault("ones"), Opens(_SOON_S, _BAD)),
    Case("bus_random", ("F-02", "F-16"), "every bit by chance", _fault("random"), Opens(_SOON_S, _BAD)),
    Case("couple_open", ("F-03",), "thermocouple open", _fault("set_bits", mask=0x00010001), Opens(_SOON_S, _BAD)),
    Case(
        "couple_loose",
        ("F-03",),
        "loose screw: two frames of ten open",
        _fault("set_bits", mask=0x00010001, on=2, period=10),
        Opens(12.0, _BAD),
    ),
    Case(
        "couple_grounded", ("F-04",), "grounded probe: short to ground, two frames of five", _flicker, Opens(12.0, _BAD)
    ),
    Case(
        "board_grounded",
        ("F-05",),
        "board with a grounded input: the fault is there from the first frame",
        _fault("set_bits", mask=0x00010002),
        Refused("no_usable_reading"),
        Setup(permit=False),
    ),
    Case(
        "several_faults",
        ("F-07",),
        "several fault bits at once",
        _fault("set_bits", mask=0x00010007),
        Opens(_SOON_S, _BAD),
    ),
    Case(
        "leads_touching_cold",
        ("F-08",),
        "leads touch outside the oven, from cold: reads the room, no fault bit",
        _place(oven_at="touching_leads"),
        Opens(660.0, ("heat_without_effect",)),
        Setup(scene="cold"),
    ),
    Case(
        "leads_touching_hot",
        ("F-08",),
        "the same at the plateau",
        _place(oven_at="touching_leads"),
        Opens(300.0, ("reading_fell", *_BAD)),
    ),
    Case(
        "polarity_cold",
        ("F-09",),
        "wires swapped: reads down as the oven goes up",
        _place(oven_at="reversed"),
        Opens(120.0, ("reversed_polarity", "heat_without_effect")),
        Setup(scene="cold", warm_s=0.0, permit=False),
        before=lambda rig: (rig.set(oven_at="reversed"), rig.later(5), rig.permit()),
    ),
    Case(
        "type_not_checked",
        ("F-10", "F-06"),
        "a probe of whatever type that was never held in ice and boiling water",
        NOTHING,
        Refused("not_ready"),
        Setup(permit=False, guard={"require_commissioning": True}),
    ),
    Case(
        "type_wrong_of_two",
        ("F-10",),
        "one of two probes of another type (reads low), from cold",
        _place(),
        Opens(600.0, ("probes_disagree",), "withheld"),
        Setup(scene="cold", probes=_TWO, permit=False, warm_s=0.0),
        before=lambda rig: (rig.set(oven_at="wrong_type"), rig.later(5), rig.permit()),
    ),
    Case(
        "extension_copper",
        ("F-11",),
        "one of two probes with a copper extension",
        _place(oven2_at="copper"),
        Opens(180.0, ("probes_disagree",), "withheld"),
        Setup(probes=_TWO, guard={"rules": {"apart": "8 K"}}),
        covered="a probe that is alone: the two-point check at commissioning, and the independent limiter",
    ),
    Case(
        "probe_out_cold",
        ("F-12",),
        "probe beside the oven from the start",
        _place(oven_at="out"),
        Opens(360.0, ("heat_without_effect",)),
        Setup(scene="cold"),
    ),
    Case(
        "probe_out_hot",
        ("F-12",),
        "probe fell out at the plateau",
        _place(oven_at="out"),
        Opens(330.0, ("reading_fell", "reversed_polarity")),
    ),
    Case(
        "probe_half_out_of_two",
        ("F-13",),
        "one of two probes half out: follows, but low",
        _place(oven_at="half_out"),
        Opens(400.0, ("probes_disagree",), "withheld"),
        Setup(probes=_TWO),
    ),
    Case(
        "probe_half_out_alone",
        ("F-13",),
        "the only probe half out from cold, in an oven whose pace is known",
        _place(oven_at="half_out"),
        Goes(330.0, "warms_unlike_before"),
        Setup(scene="cold", warm_s=0.0, permit=False, guard={"rules": {"expected_rate": "14 K/min"}}),
        before=lambda rig: (rig.set(oven_at="half_out"), rig.later(5), rig.permit()),
        covered="the independent limiter: a low but plausible reading can only be warned of",
    ),
    Case(
        "probe_on_element",
        ("F-14",),
        "probe touches the element and the dial is turned up: reads high in a saw-tooth",
        lambda rig: rig.set(oven_at="on_element", dial_c=140.0),
        Opens(600.0, ("over_temperature", "rising_fast")),
    ),
    Case(
        "board_hot",
        ("F-15",),
        "the converter's board at 70 degC",
        _place(board_k_min=1.5),
        Opens(1800.0, ("junction_hot",)),
    ),
    Case(
        "board_warms_fast",
        ("F-15",),
        "the converter's board warms by 4 K a minute",
        _place(board_k_min=4.0),
        Opens(300.0, ("junction_rising", "junction_hot")),
    ),
    Case(
        "noise_with_faults",
        ("F-16",),
        "mains noise: a fault bit in every fifth frame",
        _fault("set_bits", mask=0x00010004, on=1, period=5),
        Opens(20.0, _BAD),
    ),
    Case(
        "slip_left",
        ("F-18",),
        "a clock edge lost: bits one place to the left, reads double",
        _fault("slip", number=1),
        Opens(3.0, (*_BAD, "over_temperature")),
    ),
    Case(
        "slip_right",
        ("F-18",),
        "a clock edge too many: one place to the right, reads half",
        _fault("slip", number=-1),
        Opens(_SOON_S, _BAD),
        quick=True,
    ),
    Case(
        "bit_dead",
        ("F-19",),
        "the 32 K bit reads always 0 and the oven swings across it",
        _fault("clear_bits", mask=1 << 25),
        Opens(1200.0, ("bit_does_not_follow", "reading_fell", *_BAD)),
        before=_swings,
    ),
    Case(
        "two_answer_low",
        ("F-20",),
        "a second converter answers as well, pulls low",
        lambda rig: (rig.probe_fault("both_low", "oven", number=1), rig.probe_fault("both_low", "oven2", number=0)),
        # Which of the two sees it first is a matter of noise; until then both read some kelvins low.
        Opens(60.0, ("converters_answer_together", "bit_does_not_follow", *_BAD), ""),
        Setup(probes=_TWO),
    ),
    Case(
        "transfer_fails",
        ("F-27", "F-23"),
        "every transfer fails with an I/O error",
        _fault("io_error"),
        Opens(_SOON_S, _BAD),
    ),
    Case(
        "transfer_fails_oddly",
        ("F-27", "F-21"),
        "every transfer fails with the pin library's own exception",
        _fault("other_error"),
        Opens(_SOON_S, _BAD),
    ),
    Case(
        "bus_lock_leaks",
        ("F-24",),
        "the bus cannot be set up, each time with its lock held",
        _fault("configure_error"),
        Opens(_SOON_S, _BAD),
    ),
    Case(
        "select_fails",
        ("F-24", "F-20"),
        "the chip select cannot be driven",
        _fault("select_error"),
        Opens(_SOON_S, _BAD),
    ),
    Case(
        "bus_hangs",
        ("F-24",),
        "a transfer never comes back, and no signal reaches the thermometer",
        _fault("hang"),
        Opens(1.6, ("frames_missing", "no_usable_reading")),
        quick=True,
    ),
    Case("reading_frozen", ("F-25", "F-26"), "the same 32 bits for ever", _fault("frozen"), Opens(125.0, ("frozen",))),
)

GOOD = (
    Case(
        "good_spikes",
        ("F-17",),
        "single spikes, one frame in thirty",
        _fault("set_bits", mask=1 << 27, on=1, period=30),
        Goes(240.0),
        kind="good",
    ),
    Case(
        "good_many_spikes",
        ("F-17",),
        "a spike every five seconds",
        _fault("set_bits", mask=0b101 << 25, on=1, period=20),
        Goes(120.0, "spikes"),
        # Below 96 degC both bits are 0 and a spike is never one power of two, which another rule takes for a dead bit.
        before=lambda rig: (rig.set(dial_c=95.0), rig.later(120.0)),
        kind="good",
    ),
    Case(
        "good_single_faults",
        ("F-03", "F-29"),
        "one unusable frame in twenty",
        _fault("set_bits", mask=0x00010001, on=1, period=20),
        Goes(240.0),
        kind="good",
        quick=True,
    ),
    Case(
        "good_slip_sometimes",
        ("F-18", "F-29"),
        "one slipped frame in a hundred",
        _fault("slip", number=-1, on=1, period=100),
        Goes(300.0),
        kind="good",
    ),
    Case(
        "good_bus_once",
        ("F-24", "F-27"),
        "the bus cannot be set up once",
        _fault("configure_error", left=1),
        Goes(30.0),
        kind="good",
    ),
)
