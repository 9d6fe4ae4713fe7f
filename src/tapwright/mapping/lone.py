"""What rests on one label alone: a slip in that label would not show, since no other label says the same."""

from __future__ import annotations

from tapwright.core.reading_map import Codes
from tapwright.mapping.fit import Learned


def on_one_label(learned: Learned) -> tuple[str, ...]:
    """Return the parts of a learned map that one believed label shows, each with that label's row, in words.

    Units, points by unit, flags, sign, overload and blank; digits where a table gives each its own code.
    """
    assert learned.reading_map is not None
    digits = learned.reading_map.displays[0].digits
    rows: dict[str, list[int]] = {}
    for label in learned.sight.labels:
        shown = label.display.lstrip("-")
        parts = [f"flag {name}" for name in label.flags]
        parts += [f"unit {label.unit}"] if label.unit else []
        if label.is_number:
            parts.append(f"{len(shown.partition('.')[2])} digits after the point in {label.unit or 'no unit'}")
            parts += ["minus"] if label.display.startswith("-") else []
            if isinstance(digits, Codes) and digits.kind == "table":
                figures = shown.replace(".", "").rjust(len(digits.places))
                parts += [f"digit {at} showing {one}" for at, one in enumerate(figures, 1) if one != " "]
        elif label.is_overload or label.is_blank:
            parts.append("overload" if label.is_overload else "blank")
        for part in parts:
            rows.setdefault(part, []).append(label.row)
    return tuple(f"{part} (label {found[0]})" for part, found in rows.items() if len(found) == 1)
