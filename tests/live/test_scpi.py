"""SCPI: messages, status and answers against IEEE 488.2 and SCPI-1999; a real peer reads in test_scpi_peer.py."""

from __future__ import annotations

import asyncio
import csv
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapwright.core.reading import Reading, Status
from tapwright.live.framer import Framed
from tapwright.live.hub import Hub
from tapwright.live.plain_text import in_ascii
from tapwright.live.scpi.answers import Conversation, scientific
from tapwright.live.scpi.message import command_of, pattern, units_of
from tapwright.live.scpi.status import TEXTS, ScpiError, event_bit

_TABLE = (Path(__file__).parents[1] / "golden" / "scpi-errors.csv").read_text(encoding="utf-8")
ERRORS = list(csv.DictReader(_TABLE.splitlines()))


def asked(*lines: str, shows: Reading | None = None, name: str = "pond") -> list[str | None]:
    """Return the answers of one conversation, over a hub that has just got a reading (or none)."""
    async def talk() -> list[str | None]:
        hub = Hub(name)
        if shows is not None:
            hub.publish(Framed(shows, hub.clock.mono()))
        conversation = Conversation(hub, read_wait_s=0.01)
        return [await conversation.answer(line) for line in lines]
    return asyncio.run(talk())


def shows(display: str, unit: str = "V", status: Status = Status.OK, flags: str = "") -> Reading:
    value = Decimal(display) if status is Status.OK else None
    return Reading(t_s=0.0, display=display, value=value, unit=unit, flags=flags, status=status)


def test_error_texts_and_bits_are_those_of_the_standard() -> None:
    """Every number in use has SCPI-1999's text and event bit (golden table)."""
    golden = {int(row["number"]): row for row in ERRORS}
    for number, text in TEXTS.items():
        assert text == golden[number]["text"]
    for number, row in golden.items():
        if row["esr_bit"] in ("CME", "EXE", "DDE", "QYE"):
            assert event_bit(number) == int(row["esr_weight"]), number


def test_identity_has_four_fields_in_72_characters() -> None:
    """IEEE 488.2 section 10.14: four fields, three commas, ASCII, at most 72 characters."""
    for name in ("pond", "Becken, Süd; Ω" * 9, ""):
        answer = asked("*IDN?", name=name)[0]
        assert answer is not None
        assert answer.count(",") == 3
        assert len(answer) <= 72
        assert answer.isascii()
        assert all(answer.split(","))


@pytest.mark.parametrize("query", [
    "SYST:ERR?", "syst:err?", "SYSTEM:ERROR?", "SYSTem:ERRor:NEXT?", "SYST:ERROR:NEXT?", ":SYST:ERR?", " SYST:ERR? "])
def test_headers_match_in_short_and_long_form_in_any_case(query: str) -> None:
    """SCPI-1999 volume 1 section 6.2."""
    assert asked(query) == ['0,"No error"']


@pytest.mark.parametrize(("line", "number"), [
    ("SYSTE:ERR?", -113), ("FOO", -113), ("*FOO?", -113), ("READ", -113), ("*CLS?", -113),
    ("*IDN? 1", -108), ("*ESE", -109), ("*ESE 1,2", -108), ("*ESE abc", -104), ("*ESE 256", -222), ("*ESE -1", -222),
    ("*ESE,1", -103), ("ABCDEFGHIJKLM?", -112), ("SYST:ERR?é", -101), ("?", -102), ("*ESE 1,,2", -103),
    ("*SRE #HZZ", -104)])
def test_errors_have_the_standards_numbers(line: str, number: int) -> None:
    """A wrong unit queues its error and answers nothing; *CLS empties the queue."""
    answers = asked(line, "SYST:ERR?", "SYST:ERR?", "*ESR?", "*ESR?")
    assert answers[0] is None
    text = next(row["text"] for row in ERRORS if int(row["number"]) == number)
    assert answers[1] is not None
    assert answers[1].startswith(f'{number},"{text}')
    assert answers[2] == '0,"No error"'
    assert answers[3] == ("16" if number == -222 else "32")
    assert answers[4] == "0"


def test_the_queue_is_first_in_first_out_and_overflows_in_its_last_place() -> None:
    """SCPI-1999 volume 2 section 21.8: -350 replaces the last entry."""
    answers = asked("*CLS", "*ESE 999", *["FOO"] * 30, "SYST:ERR:COUN?", *["SYST:ERR?"] * 21)
    assert answers[32] == "20"
    errors = [answer for answer in answers[33:] if answer]
    assert errors[0] == '-222,"Data out of range"'
    assert errors[1] == '-113,"Undefined header;FOO"'
    assert errors[19] == '-350,"Queue overflow"'
    assert errors[20] == '0,"No error"'


def test_the_status_byte_sums_up() -> None:
    """IEEE 488.2 chapter 11: ESB 32 through *ESE, MSS 64 through *SRE, error queue 4 (SCPI)."""
    assert asked("*ESE 32", "*SRE 32", "FOO", "*STB?", "*ESR?", "*STB?", "*CLS", "*STB?", "*ESE?", "*SRE?") == [
        None, None, None, "100", "32", "4", None, "0", "32", "32"]


def test_service_request_enable_never_keeps_bit_six() -> None:
    """IEEE 488.2 section 11.3.2.3."""
    assert asked("*SRE 255", "*SRE?") == [None, "191"]


def test_numbers_may_be_decimal_or_not() -> None:
    """IEEE 488.2 sections 7.7.2 and 7.7.4: NRf is rounded, #H, #Q and #B."""
    assert asked("*ESE 3.2E1;*ESE?", "*ESE #H20;*ESE?", "*ESE #Q40;*ESE?", "*ESE #b100000;*ESE?", "*ESE 31.6;*ESE?") \
        == ["32", "32", "32", "32", "32"]


def test_compound_headers_go_on_from_the_path_before() -> None:
    """SCPI-1999 volume 1 section 6.2.4: `:` restarts at the root, common commands leave the path."""
    assert asked("SYST:ERR?;VERS?") == ['0,"No error";1999.0']
    assert asked("SYST:ERR?;*OPC?;VERS?;:SYST:VERS?") == ['0,"No error";1;1999.0;1999.0']
    assert asked("SYST:ERR?;SYST:VERS?;*OPC?")[0] == '0,"No error"'  # SYST:SYST:VERS? is none: the rest is given up


def test_all_commands_that_the_standards_require_are_there() -> None:
    """The 13 common commands of IEEE 488.2 and the SCPI ones of SCPI-1999 volume 1 section 4.2.1."""
    for line in ("*CLS", "*ESE 0", "*ESE?", "*ESR?", "*IDN?", "*OPC", "*OPC?", "*RST", "*SRE 0", "*SRE?", "*STB?",
                 "*TST?", "*WAI", "SYST:ERR?", "SYST:VERS?", "STAT:OPER?", "STAT:OPER:COND?", "STAT:OPER:ENAB 0",
                 "STAT:OPER:ENAB?", "STAT:QUES?", "STAT:QUES:EVEN?", "STAT:QUES:COND?", "STAT:QUES:ENAB 0",
                 "STAT:QUES:ENAB?", "STAT:PRES"):
        answer, error = asked(line, "SYST:ERR?")
        assert error == '0,"No error"', line
        assert (answer is None) == ("?" not in line), line


@pytest.mark.parametrize(("reading", "answer", "configured"), [
    (shows("-06.82"), "-6.82E+00", '"VOLT"'),
    (shows("123.4", "mV", flags="DC AUTO"), "+1.234E-01", '"VOLT:DC"'),
    (shows("4.710", "kΩ"), "+4.710E+03", '"RES"'),
    (shows("6.82", "mg/L"), "+6.82E+00", '"mg/L"'),
    (shows("21.5", "°C"), "+2.15E+01", '"TEMP"'),
    (shows("1413", "µS/cm"), "+1.413E+03", '"uS/cm"'),
    (shows("OL", "kΩ", Status.OVERLOAD), "+9.9E+37", '"RES"'),
    (shows("-OL", "V", Status.OVERLOAD), "-9.9E+37", '"VOLT"'),
    (shows("6.?2", "V", Status.UNPROVEN), "+9.91E+37", '"VOLT"'),
    (shows("", "V", Status.BLANK), "+9.91E+37", '"VOLT"'),
    (shows("?", "?", Status.BAD_CHECK), "+9.91E+37", '"?"')])
def test_fetch_gives_numbers_in_base_units_and_never_a_guess(reading: Reading, answer: str, configured: str) -> None:
    """SCPI-1999 volume 1 section 7.2.1: 9.9E37 over range, 9.91E37 not a number."""
    assert asked("FETC?", "CONF?", shows=reading) == [answer, configured]


def test_fetch_without_a_live_reading_is_not_a_number_and_says_why() -> None:
    """An old number is never given out as if it were the present one."""
    answers = asked("FETCH?", "SYST:ERR?", "READ?", "SYST:ERR?", "STAT:QUES:COND?")
    assert answers[0] == answers[2] == "+9.91E+37"
    assert answers[1] is not None
    assert answers[1].startswith('-230,"Data corrupt or stale')
    assert answers[3] is not None
    assert answers[3].startswith('-365,"Time out error')
    assert answers[4] == str(1 << 10)


@given(st.decimals(-10 ** 9, 10 ** 9, places=4), st.integers(-12, 12))
@settings(max_examples=30, deadline=None)
def test_numbers_come_back_exactly_from_nr3(value: Decimal, power: int) -> None:
    """What is written as NR3 reads back as the same decimal, with as many digits."""
    text = scientific(value.scaleb(power))
    assert Decimal(text) == value.scaleb(power)
    assert text[0] in "+-"
    assert text[-3] in "+-"


@pytest.mark.slow
@given(st.text(max_size=60))
@settings(max_examples=50, deadline=None)
def test_any_line_is_answered_or_refused_by_the_standards_errors(line: str) -> None:
    """The parser raises its own error or gives a command; nothing else."""
    for unit in units_of(line):
        try:
            command, _ = command_of(unit, "")
        except ScpiError as error:
            number, header = error.number, ""
        else:
            number, header = 0, command.header
        assert number in TEXTS
        assert header.isascii()


def test_patterns_take_long_and_short_forms_only() -> None:
    """`MEASure[:VOLTage]?` is met by MEAS? and MEASURE:VOLT?, not by MEASU?."""
    known = pattern("MEASure[:VOLTage]?")
    assert known.fullmatch("MEAS?")
    assert known.fullmatch("MEASURE:VOLT?")
    assert not known.fullmatch("MEASU?")
    assert not known.fullmatch("MEAS")


def test_units_are_spelled_in_ascii() -> None:
    """Answers are 7-bit ASCII (IEEE 488.2 section 7)."""
    assert [in_ascii(unit) for unit in ("kΩ", "µS/cm", "°C", "%")] == ["kOhm", "uS/cm", "deg C", "%"]
