"""The job folder: where each kind of evidence has its usual place, and how a new one is started."""

from __future__ import annotations

import json
from pathlib import Path

from tapwright.core.files import write_text

#: Usual places, relative to the folder, and what they hold.
PLACES: dict[str, str] = {
    "job.toml": "what dial and display offer, all of which must be seen",
    "captures": "logic captures (.vcd, .csv, .bin)",
    "radio": "frames received over the radio (t_s,hex)",
    "agreement": "readings of this instrument beside a reference",
}

_TEMPLATE = """\
# What tapwright must see before it calls the decoding proven. Every key may be left out.
name = {name}
# supply_v = 3.0

# Positions of the dial, in words:
functions = []
# Units as the display shows them, prefixes included: the classic omissions are prefixes and °C.
units = []
# Words and signs that the display can light:
flags = []
# Any of "negative", "overload", "blank":
shows = []
# Each range's greatest reading with its unit, like "5.999 V":
ranges = []
"""


def start_job(folder: Path, *, name: str) -> dict[str, str]:
    """Make a job folder with an empty `job.toml` to fill in; return what was made, name -> what it holds.

    Raises
    ------
    TapwrightError, OSError : the folder cannot be made or written
    """
    folder.mkdir(parents=True, exist_ok=True)
    for place in PLACES:
        if "." not in place:
            (folder / place).mkdir(exist_ok=True)
    # JSON's escapes are TOML's too, but for DEL.
    quoted = json.dumps(name.replace("\x7f", ""), ensure_ascii=False)
    write_text(folder / "job.toml", _TEMPLATE.format(name=quoted))
    return PLACES
