"""What people meet on the bench (all common practice, no source): the plan must tell it beforehand."""

from __future__ import annotations

from tests.supply.plans import HERE

from tapwright.supply.answer import FAILS, Answer
from tapwright.supply.read import parse_plan

CELLS = '[cells]\nchemistry = "alkaline"\nseries = 2\nopen_v = 2.9\ncontact_ohm = 0.1\n'
WIFI = "[[load]]\namps = 0.08\n[[load]]\namps = 0.3\nseconds = 0.004\nevery_s = 0.1\n"


def failing(text: str) -> list[str]:
    """Return the names of the checks that fail."""
    return [check.name for check in Answer(parse_plan(text, HERE)).failing]


def test_a_wifi_board_meant_for_five_volts_fails_on_two_cells() -> None:
    """Fed with 3 V directly, its 3.3 V regulator has no headroom."""
    plan = CELLS + '[converter]\nkind = "none"\n[regulator]\noutput_v = 3.3\ndropout_v = 0.3\n[board]\nmin_v = 3.0\n'
    assert {"regulator headroom", "board volts in range"} <= set(failing(plan + WIFI))


def test_a_small_signal_mosfet_is_too_small_before_the_boost_converter() -> None:
    """200 mA rated, between two cells and a boost converter that feeds a Wi-Fi board."""
    plan = CELLS + '[converter]\nkind = "boost"\noutput_v = 5.0\nefficiency = 0.85\n[switch]\nkind = "mosfet"\n' \
        "max_a = 0.2\nohm = 0.05\n"
    assert "switch current" in failing(plan + WIFI)


def test_an_enable_switch_with_load_disconnect_draws_next_to_nothing_when_off() -> None:
    """Enable low: 0 V out; without load disconnect the same board empties a pair in weeks."""
    head = CELLS + '[converter]\nkind = "boost"\noutput_v = 3.3\nefficiency = 0.85\nshutdown_a = 1e-7\n'
    tail = '[switch]\nkind = "enable"\n' + WIFI.replace("0.08", "0.002").replace("0.3", "0.1")
    good = Answer(parse_plan(head + tail, HERE))
    bad = Answer(parse_plan(head + "load_disconnect = false\n" + tail, HERE))
    assert float(good.circuit.off_days) > 3650
    assert float(bad.circuit.off_days) < 60
    assert bad.verdict == FAILS
