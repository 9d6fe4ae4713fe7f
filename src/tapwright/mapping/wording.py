"""A wanted reading in words that a person at the bench can act on."""

from __future__ import annotations

from typing import Any

_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def words_of(want: dict[str, Any], width: int) -> str:
    """Return the words for a `want` of the contract."""
    parts: list[str] = []
    if want.get("overload"):
        parts.append("overload (OL)")
    elif want.get("blank"):
        parts.append("a blank display")
    else:
        parts.append(_number(want, width))
    if "unit" in want:
        parts.append(f"in {want['unit']}")
    if "point" in want:
        n = want["point"]
        behind = f"with {n} digit{'s' * (n != 1)} after the point" if n else "without a point"
        parts.append(f"in the range {behind}" if want.get("overload") or want.get("blank") else behind)
    flags = want.get("flags", {})
    on = [name for name, state in flags.items() if state]
    off = [name for name, state in flags.items() if not state]
    words = " ".join(parts)
    if on:
        words += f", {_listed(on)} on"
    if off:
        words += f", {_listed(off)} off"
    return words


def _number(want: dict[str, Any], width: int) -> str:
    sign = "" if "negative" not in want else "negative " if want["negative"] else "positive "
    if "at_least" in want or "at_most" in want:
        return f"a {sign}reading from {want.get('at_least', 'nought'):g} to {want.get('at_most', 'full scale'):g}"
    digits = want.get("digits", {})
    if not digits:
        return f"any {sign}reading"
    digits = {place: characters for place, characters in digits.items() if len(characters) < 10}
    if not digits:
        return f"any {sign}reading"
    # A nought is left out only where no other digit stands before it, and never in the last place.
    shown_from = min((int(place) for place, characters in digits.items() if "0" not in characters), default=width)
    shown = [f"{_either(characters, may_go=int(place) < shown_from)} as {ordinal(int(place))} digit"
             for place, characters in digits.items()]
    return f"a {sign}reading with " + _listed(shown)


def _either(characters: str, *, may_go: bool) -> str:
    if len(characters) > 6:
        return "any digit but " + _listed([c for c in "0123456789" if c not in characters])
    names = [f"{c} (or left out)" if c == "0" and len(characters) == 1 and may_go else c for c in characters]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " or " + names[-1]


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def ordinal(place: int) -> str:
    """Return a place's ordinal in words."""
    return _ORDINALS[place - 1] if place <= len(_ORDINALS) else f"{place}th"
