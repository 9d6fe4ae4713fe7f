"""Plans that several tests start from, written as a user would write them."""

from __future__ import annotations

from pathlib import Path

from tapwright.supply.plan import Plan
from tapwright.supply.read import parse_plan

HERE = Path("supply.toml")

#: A handheld water meter at a hatchery gets a Wi-Fi board: every table, every key of the contract.
METER = """
[cells]
chemistry = "alkaline"
size = "AA"
series = 2
open_v = 2.72
ohm = 0.3
contact_ohm = 0.1
temperature_c = 20
curve = [[0, 1.60, 0.15], [1000, 1.30, 0.2], [2500, 0.9, 0.6]]
[converter]
kind = "boost"
output_v = 5.0
input_min_v = 0.9
start_v = 1.8
input_max_v = 5.5
input_max_a = 2.5
output_max_a = 0.8
efficiency = 0.88
quiescent_a = 20e-6
shutdown_a = 1e-7
load_disconnect = true
enable_high_v = 1.2
[regulator]
output_v = 3.3
dropout_v = 0.3
quiescent_a = 5e-6
[board]
min_v = 2.9
max_v = 3.8
[switch]
kind = "enable"
max_a = 0.5
ohm = 1.8
control_v = 3.0
full_on_v = 4.5
off_a = 0
[instrument]
amps = 0.003
off_a = 0
low_v = 1.6
[[load]]
name = "transmit"
amps = 0.25
seconds = 0.004
every_s = 0.1
[[load]]
name = "running"
amps = 0.08
[use]
hours_per_day = 0.5
shelf_days = 180
"""

SMALL = """
[cells]
series = 1
curve = [[0, 3.0, 0.6], [1000, 2.9999, 0.6]]
[converter]
kind = "boost"
output_v = 1.0
efficiency = 1.0
[switch]
kind = "enable"
[[load]]
amps = 1.0
"""


def plan(text: str = METER, **changes: str) -> Plan:
    """Parse a plan with `old=new` pieces of text changed; each must be there."""
    for old, new in changes.items():
        text = changed(text, old, new)
    return parse_plan(text, HERE)


def changed(text: str, old: str, new: str) -> str:
    """Return text with one piece changed."""
    assert old in text, old
    return text.replace(old, new, 1)
