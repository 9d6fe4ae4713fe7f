"""`mask.toml`: a mask as a small file that may be edited by hand.

A list of steps is written with a list for `kind`; a parameter that more than one step of it needs is a list too, one
entry a step. `mask_values` and `mask_from_values` do the same for a table inside another file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path

from tapwright.core.errors import MaskError
from tapwright.core.files import write_text
from tapwright.core.mask import KINDS, Mask, Settled, Step
from tapwright.core.toml import TomlFile, load_toml

COUNTS = ("determined_bits", "total_bits", "pairs_used", "pairs_checked", "mismatches")
KEYS = ("kind", "key", "rotate_bits", "map", "matrix", "constant", "n_bytes", "settled", "advice", *COUNTS)
# Which parameters each kind takes, with the number of bytes in it (0: any from 1).
_TAKES = {"xor": ("key",), "add": ("key",), "rotate": ("rotate_bits",), "substitution": ("map",),
          "affine": ("matrix", "constant")}
_RANGE = re.compile(r"([0-9A-Fa-f]{2})(?:-([0-9A-Fa-f]{2}))?")


def load_mask(path: Path) -> Mask:
    """Read a mask file.

    Raises
    ------
    MaskError : the file cannot be read, or a key is missing, unknown or of a wrong form (with its line)
    """
    toml = load_toml(Path(path), error=MaskError)
    return mask_from_values(toml, toml.values, "")


def write_mask(path: Path, mask: Mask) -> None:
    """Write a mask file, whole or not at all."""
    write_text(Path(path), mask_text(mask))


def mask_text(mask: Mask) -> str:
    """Return a mask as the text of a mask file."""
    values = mask_values(mask)
    settled = values.pop("settled", None)
    lines = ["# What turns a wire byte into a radio byte: steps run from wire to radio, keys repeat from the frame's",
             "# first byte, ?? is not settled. May be edited by hand.",
             *(f"{name} = {_toml(value)}" for name, value in values.items())]
    if isinstance(settled, Mapping):
        lines += ["", "# Only these radio bytes are settled, at each place (the first byte is 0) or at all of them.",
                  "[settled]", *(f"{at} = {_toml(text)}" for at, text in settled.items())]
    return "\n".join(lines) + "\n"


def mask_values(mask: Mask) -> dict[str, object]:
    """Return a mask as plain values by the keys of the mask file; keys that do not apply are left out."""
    values: dict[str, object] = {"kind": mask.kind}
    for name in ("key", "rotate_bits", "map", "matrix", "constant"):
        of_steps = [_written(step, name) for step in mask.steps if name in _TAKES.get(step.kind, ())]
        if of_steps:
            values[name] = of_steps[0] if len(of_steps) == 1 else of_steps
    if mask.n_bytes:
        values["n_bytes"] = mask.n_bytes
    values.update((name, getattr(mask, name)) for name in COUNTS)
    values["advice"] = list(mask.advice)
    if mask.settled:
        values["settled"] = {"all" if part.at is None else str(part.at): _ranges(part.radio) for part in mask.settled}
    return values


def mask_from_values(toml: TomlFile, values: Mapping[str, object], prefix: str) -> Mask:
    """Return the mask held in one table of a TOML file; `prefix` is the table's dotted name, empty for the file."""
    toml.check_keys(prefix, values, KEYS)
    reader = _Reader(toml, values, prefix + "." if prefix else "")
    kinds = reader.kinds()
    steps = tuple(Step(kind=kind, **{field: value for name in _TAKES.get(kind, ())
                                     for field, value in reader.parameter(name, kinds, i).items()})  # type: ignore[arg-type]
                  for i, kind in enumerate(kinds))
    for name in ("key", "rotate_bits", "map", "matrix", "constant"):
        if name in values and not any(name in _TAKES.get(kind, ()) for kind in kinds):
            reader.fail(name, f"no step takes '{name}'", f"it beside a kind that takes it, not {', '.join(kinds)}")
    return Mask(steps=steps, settled=reader.settled(), n_bytes=reader.count("n_bytes"), advice=reader.advice(),
                **{name: reader.count(name) for name in COUNTS})


class _Reader:
    """Reads the keys of one table, raising at the line of the first that is wrong."""

    def __init__(self, toml: TomlFile, values: Mapping[str, object], prefix: str) -> None:
        self.toml, self.values, self.prefix = toml, values, prefix

    def fail(self, name: str, found: str, expected: str) -> None:
        self.toml.fail(self.prefix + name, found, expected=expected)

    def kinds(self) -> list[str]:
        if "kind" not in self.values:
            self.fail("kind", "the key 'kind' is missing", "one of " + ", ".join(KINDS) + ", or a list of them")
        given = self.values["kind"]
        kinds = given if isinstance(given, list) else [given]
        for kind in kinds:
            if not isinstance(kind, str) or kind not in KINDS:
                self.fail("kind", f"{kind!r} is no mask kind", "one of " + ", ".join(KINDS) + ", or a list of them")
        if not 1 <= len(kinds) <= 8:
            self.fail("kind", f"{len(kinds)} steps", "1 to 8")
        return [str(kind) for kind in kinds]

    def parameter(self, name: str, kinds: list[str], i_step: int) -> dict[str, object]:
        """Return one step's parameter as a field of `Step`."""
        takers = [i for i, kind in enumerate(kinds) if name in _TAKES.get(kind, ())]
        if name not in self.values:
            self.fail("kind", f"kind '{kinds[i_step]}' needs '{name}', which is missing", f"a line '{name} = ...'")
        value = self.values[name]
        if len(takers) > 1:
            if not isinstance(value, list) or len(value) != len(takers):
                self.fail(name, f"{value!r}", f"a list of {len(takers)}, one a step that takes it")
                return {}
            value = value[takers.index(i_step)]
        if name == "rotate_bits":
            return {"bits": self._whole(name, value, 1, 7)}
        found = self._bytes(name, value)
        if name == "key":
            return {"key": found}
        if name == "map":
            if len(found) != 256:
                self.fail(name, f"{len(found)} bytes", "256, the radio byte of each wire byte from 00 to FF")
            known = [byte for byte in found if byte is not None]
            if len(set(known)) < len(known):
                twice = next(byte for byte in known if known.count(byte) > 1)
                self.fail(name, f"two wire bytes become {twice:02X}", "each radio byte once")
            return {"table": found}
        if None in found:
            self.fail(name, "'??'", f"every byte of '{name}' known (say what is not in the table 'settled')")
        if name == "constant":
            if len(found) != 1:
                self.fail(name, f"{len(found)} bytes", "one byte in hex")
            return {"constant": found[0]}
        if len(found) != 8:
            self.fail(name, f"{len(found)} bytes", "eight, the radio bits that each wire bit turns over, bit 0 first")
        if _rank([byte or 0 for byte in found]) < 8:
            self.fail(name, "two wire bytes become the same radio byte", "eight independent bytes")
        return {"matrix": found}

    def settled(self) -> tuple[Settled, ...]:
        table = self.values.get("settled", {})
        if not isinstance(table, dict):
            self.fail("settled", f"{table!r}", "a table of radio bytes by place")
            return ()
        return tuple(Settled(self._place(at), self._ranges(f"settled.{at}", text)) for at, text in table.items())

    def _place(self, at: str) -> int | None:
        if at == "all":
            return None
        if not at.isascii() or not at.isdecimal():
            self.fail(f"settled.{at}", f"'{at}' is no place in a frame", "a byte's number from 0, or 'all'")
        return int(at)

    def _ranges(self, name: str, text: object) -> bytes:
        radio: set[int] = set()
        for word in text.split() if isinstance(text, str) else [repr(text)]:
            match = _RANGE.fullmatch(word)
            if not match:
                self.fail(name, f"'{word}'", "radio bytes in hex and ranges of them, as in \"00-1F 40\"")
                return b""
            lo, hi = int(match[1], 16), int(match[2] or match[1], 16)
            radio.update(range(lo, hi + 1))
        return bytes(sorted(radio))

    def advice(self) -> tuple[str, ...]:
        given = self.values.get("advice", [])
        if not isinstance(given, list) or not all(isinstance(text, str) for text in given):
            self.fail("advice", f"{given!r}", "a list of sentences")
            return ()
        return tuple(given)

    def count(self, name: str) -> int:
        return self._whole(name, self.values.get(name, 0), 0, 10**12)

    def _whole(self, name: str, value: object, least: int, most: int) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.fail(name, f"{value!r}", f"a whole number from {least} to {most}")
            return 0
        return value

    def _bytes(self, name: str, value: object) -> tuple[int | None, ...]:
        text = "".join(value.split()) if isinstance(value, str) else ""
        pairs = [text[i:i + 2] for i in range(0, len(text), 2)]
        bad = next((pair for pair in pairs if not re.fullmatch(r"[0-9A-Fa-f]{2}|\?\?", pair)), None)
        if not pairs or bad is not None:
            self.fail(name, f"'{bad}'" if bad else f"{value!r}", "bytes as two hex digits each, ?? for one not settled")
        return tuple(None if pair == "??" else int(pair, 16) for pair in pairs)


def _written(step: Step, name: str) -> object:
    if name == "rotate_bits":
        return step.bits
    if name == "constant":
        return f"{step.constant:02X}"
    given = {"key": step.key, "map": step.table, "matrix": step.matrix}[name]
    return hex_text(given)


def hex_text(values: tuple[int | None, ...]) -> str:
    """Return bytes as hex pairs with spaces, `??` for None."""
    return " ".join("??" if byte is None else f"{byte:02X}" for byte in values)


def _ranges(radio: bytes) -> str:
    """Return ascending bytes as hex with runs of three and more as ranges: `00-1F 40`."""
    words, i = [], 0
    while i < len(radio):
        j = i
        while j + 1 < len(radio) and radio[j + 1] == radio[j] + 1:
            j += 1
        if j - i >= 2:
            words.append(f"{radio[i]:02X}-{radio[j]:02X}")
        else:
            words += [f"{byte:02X}" for byte in radio[i:j + 1]]
        i = j + 1
    return " ".join(words)


def _rank(rows: list[int]) -> int:
    rank = 0
    while rows:
        pivot = rows.pop()
        if pivot:
            rank += 1
            low = pivot & -pivot
            rows = [row ^ pivot if row & low else row for row in rows]
    return rank


def _toml(value: object) -> str:
    """Return a plain value as TOML."""
    if isinstance(value, str):
        if len(value) > 200 and '"' not in value and "\\" not in value:
            return '"""\n' + "\n".join(value[i:i + 48].rstrip() for i in range(0, len(value), 48)) + '"""'
        # JSON's escapes are TOML's too; TOML wants DEL escaped besides.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return str(value)
