"""tapwright: from a handheld instrument's pads to a page of proven readings."""

VERSION = "0.1.0"
