"""A maker's fixed masking of the radio side: the steps that turn each wire byte into a radio byte.

Every step maps a byte to a byte, one to one, at each place of the frame by itself. What the evidence does not settle is
part of the mask: an unknown key byte, an unknown entry of a byte map, radio bytes whose meaning stays open.
"""

from __future__ import annotations

from dataclasses import dataclass

KINDS = ("none", "xor", "add", "bit order", "nibble swap", "rotate", "substitution", "affine")


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step from wire to radio.

    Parameters
    ----------
    kind : one of `KINDS`
    key : xor (radio = wire ^ key), add (radio = wire + key mod 256): the key's bytes, repeated from the frame's first
        byte; None where not settled
    bits : rotate: places that each byte turns left (towards bit 7), 1 to 7
    table : substitution: the radio byte of each wire byte 0 to 255; None where not settled
    matrix, constant : affine over GF(2): `matrix[b]` is xored in where bit b of the wire byte is 1, `constant` always
    """

    kind: str
    key: tuple[int | None, ...] = ()
    bits: int = 0
    table: tuple[int | None, ...] = ()
    matrix: tuple[int, ...] = ()
    constant: int = 0


@dataclass(frozen=True)
class Settled:
    """The radio bytes that are settled at one place of the frame; all others there are not.

    Parameters
    ----------
    at : byte of the frame, None for every one
    radio : the settled radio bytes, ascending
    """

    at: int | None
    radio: bytes


@dataclass(frozen=True, kw_only=True)
class Mask:
    """A mask, wire to radio.

    Parameters
    ----------
    steps : applied in order to a wire byte
    settled : places at which only some radio bytes are settled
    n_bytes : bytes of a frame from its start that the evidence covers, 0 for no limit
    determined_bits, total_bits : bits of the steps' parameters, and how many of them are settled
    pairs_used, pairs_checked, mismatches : frames seen on both sides: solved from, held back as a check, held back
        and wrong
    advice : what to know or do, in words
    """

    steps: tuple[Step, ...]
    settled: tuple[Settled, ...] = ()
    n_bytes: int = 0
    determined_bits: int = 0
    total_bits: int = 0
    pairs_used: int = 0
    pairs_checked: int = 0
    mismatches: int = 0
    advice: tuple[str, ...] = ()

    @property
    def kind(self) -> str | list[str]:
        """The contract's `kind`: a name, or a list of names in order."""
        kinds = [step.kind for step in self.steps]
        return (kinds or ["none"])[0] if len(kinds) < 2 else kinds

    @property
    def is_whole(self) -> bool:
        """Whether every byte of every frame is settled."""
        return not self.settled and not self.n_bytes and all(
            None not in step.key and None not in step.table for step in self.steps)
