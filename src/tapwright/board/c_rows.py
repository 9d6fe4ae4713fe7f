"""C99 for `reading_decode`: what a frame must pass, then flags, unit and display, and the status that they give."""

from __future__ import annotations

from tapwright.board import c_checks, c_frame, c_framer, c_places, c_shown, c_units
from tapwright.board.c_bits import Bits, moved_terms
from tapwright.board.c_text import filled
from tapwright.board.mask_maps import mask_maps
from tapwright.board.tables import watch_bytes
from tapwright.core.instrument import Instrument
from tapwright.core.reading_map import Float


def source(instrument: Instrument, units: c_units.Units) -> list[str]:
    """Return the whole decoder behind its head."""
    reading_map, layout = instrument.reading_map, instrument.layout
    # A few scattered bits are read where they stand if that spares the table and what reads it.
    attempt = Bits(reading_map, 4)
    _written(instrument, units, attempt)
    bits = Bits(reading_map) if attempt.has_table else Bits(reading_map, 4)
    # Written first: what they use says which tables are needed.
    written = _written(instrument, units, bits)
    one = c_units.the_one(bits) if any("the_one(" in line for line in written) else []
    apart = _APART.splitlines() if any(line.startswith("APART ") for line in written) else []
    return [*apart, *c_frame.wire(mask_maps(instrument.mask)),
            *c_checks.checks(instrument, framed=not c_framer.is_windowed(layout)),
            *c_frame.body_functions(instrument, c_frame.body(instrument)), *bits.declarations(), *one, *written,
            *c_framer.framer(layout)]


def _written(instrument: Instrument, units: c_units.Units, bits: Bits) -> list[str]:
    reading_map = instrument.reading_map
    direct = c_places.serves(reading_map)
    shown = c_places.display(reading_map, bits) if direct else c_shown.display(reading_map, bits, units)
    unit = units.functions(bits)
    flags, flag_lines, more = c_units.flag_lines(reading_map, bits)
    decode = _decode(instrument, units, bits, c_frame.body(instrument), flag_lines, direct=direct, more=more)
    return [*unit, *shown, *flags, *decode]


def _decode(instrument: Instrument, units: c_units.Units, bits: Bits, body: c_frame.Body, flag_lines: list[str], *,
            direct: bool, more: bool) -> list[str]:
    reading_map, maps, watch = instrument.reading_map, mask_maps(instrument.mask), watch_bytes(instrument.reading_map)
    unsettled = maps is not None and not maps.all_known
    checked = any(one.checks for one in c_frame.forms(instrument.layout))
    lengths = c_frame.length_test(instrument, body)
    tests = [*(["!known"] if unsettled else []), *([f"({lengths})" if unsettled else lengths] if lengths else [])]
    # A float's scale may depend on the unit.
    early = not direct and any(isinstance(one.digits, Float) and one.digits.scales for one in reading_map.displays)
    unit = "unit_of(b)" if reading_map.units else "0"
    moved = bool(watch) or not direct or bits.restful
    arguments = f"b, out->display{bits.moved}" if direct else f"b, out->display, moved, {'unit' if early else '0'}"
    call = f"    status = display({arguments});\n"
    # Where the display does not ask for it, what moved is looked up later: fewer values to keep meanwhile.
    first = direct and not bits.restful
    return filled(
        _DECODE,
        BODY="" if body.in_place else f"    uint8_t body[{body.size}];\n", B="frame" if body.in_place else "body",
        FLAG_TYPE=c_units.flag_type(reading_map),
        LOCALS=("    unsigned moved = 0;\n" if moved else "") + ("    unsigned more = 0;\n" if more else "")
        + ("    uint32_t lit;\n" if any(" lit = " in line for line in flag_lines) else "")
        + ("    int known = settled(frame, (unsigned)size);\n" if unsettled else ""),
        CHECK=filled(_CHECK, KNOWN="known && " if unsettled else "") if checked else "", UNKNOWN=str(units.unknown),
        TESTS=f"    if ({' || '.join(tests)})\n        return;\n" if tests else "",
        FILL="" if body.in_place else "    body_of(frame, (unsigned)size, body);\n",
        WATCH=_moved(watch) if watch else "", FLAGS="".join(f"{line}\n" for line in flag_lines),
        EARLY=f"    unit = {f'moved ? {units.unknown}u : ' if watch else ''}{unit};\n" if early else "",
        BEFORE=call if first else "", AFTER="" if first else call,
        STAY="    if (moved)\n        return; /* bits that no label saw change */\n" if watch else "",
        UNIT="" if early else f"    unit = {unit};\n", TYPE=unit_type(units),
        MORE=f"    if (more) {{\n        out->unit = ({unit_type(units)})unit;\n        return;\n    }}\n" if more else "",
        CERTAIN=f"    if (unit != {units.unknown})\n    " if reading_map.units else "").splitlines()


def unit_type(units: c_units.Units) -> str:
    """Return the type of a unit's number."""
    return "uint8_t" if units.unknown < 256 else "uint16_t"


def _moved(watch: list[tuple[int, int, int]]) -> str:
    if len(watch) <= 2:
        return f"    moved = {' || '.join(moved_terms(watch))};\n"
    kind = "uint8_t" if all(byte < 256 for byte, _, _ in watch) else "uint16_t"
    rows = ", ".join(f"{{{byte}, 0x{mask:02X}, 0x{rest:02X}}}" for byte, mask, rest in watch)
    return (f"    static const {kind} watch[][3] = {{{rows}}};\n    for (unsigned i = 0; i < {len(watch)}; i++)\n"
            "        moved |= (b[watch[i][0]] & watch[i][1]) ^ watch[i][2];\n")


_APART = """\
#ifdef __GNUC__ /* smaller when it is not written into its one caller */
#define APART __attribute__((noinline))
#else
#define APART
#endif

"""
_CHECK = """\
    out->status = READING_BAD_CHECK;
    if (@KNOWN@!holds(frame, (unsigned)size))
        return;
"""
_DECODE = """\
void reading_decode(const uint8_t *frame, size_t size, struct reading *out)
{
@BODY@    const uint8_t *b = @B@;
@LOCALS@    unsigned status, unit;
    @FLAG_TYPE@ flags;
    memset(out, 0, sizeof *out);
    out->status = READING_BROKEN;
    if (!size)
        return;
@CHECK@    out->status = READING_UNPROVEN;
    out->display[0] = '\\077';
    out->unit = @UNKNOWN@;
    out->flags = READING_MORE;
@TESTS@@FILL@@BEFORE@@WATCH@@FLAGS@    out->flags = (@FLAG_TYPE@)(flags | READING_MORE);
@EARLY@@AFTER@@STAY@@UNIT@@MORE@    out->flags = flags;
    out->unit = (@TYPE@)unit;
@CERTAIN@    out->status = (uint8_t)status;
}

"""
