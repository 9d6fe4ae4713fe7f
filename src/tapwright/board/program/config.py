"""The settings file: read at start, and a network added from the set-up page. Only this file holds passwords."""
# mypy: ignore-errors
# (Runs in MicroPython, which has no `typing`; tests run it under CPython with another hardware module.)

import os


def read_settings(path):
    """Return the settings file as text by key, and its Wi-Fi networks as (name, password) in their order."""
    values, networks = {}, []
    with open(path) as file:
        for line in file:
            line = line.strip()
            if not line or line[0] == "#" or "=" not in line:
                continue
            at = line.index("=")
            key, text = line[:at].strip(), line[at + 1:].strip()
            if key == "wifi":
                bar = text.find("|")
                networks.append((text[:bar].strip(), text[bar + 1:].strip()) if bar >= 0 else (text, ""))
            else:
                values[key] = text
    return values, networks


def add_network(path, name, password):
    """Put a network first in the settings file; one of the same name is replaced. Written beside, then renamed."""
    with open(path) as file:
        lines = file.read().split("\n")
    kept = [line for line in lines
            if not (line.strip().startswith("wifi") and line.split("=", 1)[-1].split("|", 1)[0].strip() == name)]
    at = 0
    while at < len(kept) and not kept[at].strip().startswith("wifi"):
        at += 1
    while kept and not kept[-1].strip():
        kept.pop()
    kept.insert(min(at, len(kept)), "wifi = " + name + " | " + password)
    with open(path + ".new", "w") as file:
        file.write("\n".join(kept) + "\n")
    os.rename(path + ".new", path)
