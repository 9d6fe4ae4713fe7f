"""A known value as a JSON document, and as text with the row for a reference file."""

from __future__ import annotations

from tapwright.agreement.known import Known


def document(found: Known) -> dict[str, object]:
    """Return the JSON document of `tapwright agree --known`."""
    return {"known": found.what, "value": found.value, "low": found.low, "high": found.high, "unit": found.unit,
            "u": found.u, "row": row(found), "proves": list(found.proves), "cannot": list(found.cannot),
            "how": found.how, "more": list(found.more)}


def row(found: Known) -> str:
    """Return the value as a row of a reference file, `point,value,unit,u`."""
    return f"{found.what.replace(',', '')},{found.value:.7g},{found.unit},{found.u:.3g}"


def text(found: Known) -> str:
    """Return the answer for people."""
    between = f", between {found.low:.6g} and {found.high:.6g} {found.unit}" if found.high > found.low else ""
    lines = [f"{found.what}: {found.value:.6g} {found.unit}{between}", *[f"  {words}" for words in found.more],
             "", "It can show", *[f"  - {words}" for words in found.proves],
             "It cannot show", *[f"  - {words}" for words in found.cannot],
             "", f"How: {found.how}.", "", "As a row of REFERENCE.csv (point,value,unit,u):", f"  {row(found)}"]
    return "\n".join(lines)
