"""A display in parts (sign, digits, decimals or None, text or None), and what its text means."""
# mypy: ignore-errors
# (Runs in MicroPython: no annotations, they would cost flash, and it has no `typing`.)

# A display in parts: (sign, digits, decimals or None, text or None).
_NOTHING = ("", "", 0, "?")
_BLANK = ("", "", 0, "")


def _text(shown):
    sign, digits, decimals, text = shown
    if text is not None:
        return text
    if decimals is None or not digits or len(digits) < decimals:
        return "?"
    cut = len(digits) - decimals
    return sign + digits[:cut] + ("." + digits[cut:] if decimals else "")


def _padded(text, width, fill):
    return fill * (width - len(text)) + text


def _both(a, b):
    if a == b:
        return a
    if a[3] is not None or b[3] is not None or a[2] != b[2]:
        return _NOTHING
    places = max(len(a[1]), len(b[1]))
    x, y = _padded(a[1], places, " "), _padded(b[1], places, " ")
    digits = "".join([x[i] if x[i] == y[i] else "?" for i in range(places)])
    return (a[0] if a[0] == b[0] else "?", digits, a[2], None)


def _all_digits(text):
    for character in text:
        if not "0" <= character <= "9":
            return False
    return bool(text)


def _zeros(digits, sign, decimals, display):
    if decimals is None:
        return (sign, digits, None, None)
    shown = None
    for zeros in display[4]:
        if zeros == "as sent":
            filled = digits
        else:
            bare = digits.lstrip("0")
            width = display[5] if zeros == "shown" else max(decimals + (zeros == "suppressed"), 1)
            filled = _padded(bare, width, "0")
        one = (sign, filled, decimals, None)
        shown = one if shown is None else _both(shown, one)
    return shown


def _overload(text):
    text = text.upper()
    if text in ("OFL", "OVER", "OVL", "OVLD"):
        return True
    at = 0
    for sign, needed in (("-", 0), (".", 0), ("O0", 1), (".", 0), ("F", 0), (".", 0), ("L", 1), (".", 0), ("D", 0)):
        if at < len(text) and text[at] in sign:
            at += 1
        elif needed:
            return False
    return at == len(text)


def _value(text):
    """Return a displayed number as arithmetic writes it, empty for no number: -06.8 is -6.8, .5 is 0.5."""
    sign = "-" if text[0] == "-" else ""
    unsigned = text.lstrip("-")
    at = unsigned.find(".")
    whole, part = (unsigned, None) if at < 0 else (unsigned[:at], unsigned[at + 1:])
    if not _all_digits(whole + (part or "")):
        return ""
    bare = whole.lstrip("0") or "0"
    return sign + bare + ("." + part if part else "")
