"""A job folder on the desk: its evidence files, and what was worked out of them already."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from tapwright.core.errors import LabelError
from tapwright.core.frame import Frames
from tapwright.core.job import Job
from tapwright.core.toml import load_toml
from tapwright.evidence.job_file import load_job
from tapwright.evidence.labels import Label, read_labels
from tapwright.job.steps import FramesFound, frames_found

CAPTURE_ENDINGS = (".vcd", ".csv", ".tsv", ".fst", ".gz", ".bin")
CAPTION_ENDINGS = (".vtt", ".srt")
#: How fast and how wide each .bin was sampled, which no .bin tells itself: a table a file, `rate_hz` and `width`.
SAMPLING = "captures/sampling.toml"


@dataclass
class Desk:
    """One look at a job folder; nothing is read or worked out twice during it."""

    job: Job
    _frames: dict[Path, FramesFound] = field(default_factory=dict)

    @classmethod
    def open(cls, folder: Path) -> Desk:
        """Lay a job folder on the desk.

        Raises
        ------
        DescriptionError : its job.toml is missing or wrong
        """
        return cls(load_job(folder))

    @property
    def folder(self) -> Path:
        """The job folder."""
        return self.job.folder

    def place(self, name: str) -> tuple[Path, ...]:
        """Return the one file of a usual place, if it is there."""
        path = self.folder / name
        return (path,) if path.is_file() else ()

    @cached_property
    def captures(self) -> tuple[Path, ...]:
        """Captures that can be read, those that labels name first, then by name; a .bin only once its rate is known."""
        known = self.sampling
        found = [path for path in self.every_capture
                 if path.is_file() and (path.suffix.lower() != ".bin" or path.name in known)]
        named = {name: i for i, name in enumerate(self.named_by_labels)}
        return tuple(sorted(found, key=lambda path: (named.get(path.name, len(named) + 1_000_000), path.name)))

    @cached_property
    def every_capture(self) -> tuple[Path, ...]:
        """All capture files, by name; links to files that are gone too."""
        folder = self.folder / "captures"
        return tuple(sorted(path for path in folder.glob("*") if path.suffix.lower() in CAPTURE_ENDINGS
                            and not path.name.startswith("."))) if folder.is_dir() else ()

    @cached_property
    def sampling(self) -> dict[str, tuple[float, int]]:
        """Samples a second and bits a sample of each .bin, by file name.

        Raises
        ------
        DescriptionError : captures/sampling.toml is wrong
        """
        path = self.folder / SAMPLING
        if not path.is_file():
            return {}
        file = load_toml(path)
        found: dict[str, tuple[float, int]] = {}
        for name, values in file.values.items():
            if not isinstance(values, dict):
                file.fail(name, "a value", expected="a table a file, like [\"a.bin\"]")
            file.check_keys(name, values, ("rate_hz", "width"))
            rate, width = values.get("rate_hz"), values.get("width", 8)
            if isinstance(rate, bool) or not isinstance(rate, (int, float)) or not rate > 0:
                file.fail(f"{name}.rate_hz", f"{rate!r}", expected="samples a second, over 0")
            if width not in (8, 16):
                file.fail(f"{name}.width", f"{width!r}", expected="8 or 16")
            found[name] = (float(rate), int(width))
        return found

    @cached_property
    def radio(self) -> tuple[Path, ...]:
        """Frames received over the radio."""
        folder = self.folder / "radio"
        return tuple(sorted(folder.glob("*.csv"))) if folder.is_dir() else ()

    @cached_property
    def captions(self) -> tuple[Path, ...]:
        """Captions typed against videos of the display (WebVTT, SubRip), kept beside the captures."""
        folder = self.folder / "captures"
        return tuple(sorted(path for path in folder.glob("*") if path.suffix.lower() in CAPTION_ENDINGS
                            and not path.name.startswith("."))) if folder.is_dir() else ()

    @cached_property
    def labels(self) -> tuple[Label, ...]:
        """The labels of labels.csv; none where the file is not there."""
        path = self.folder / "labels.csv"
        return read_labels(path) if path.is_file() else ()

    @cached_property
    def named_by_labels(self) -> tuple[str, ...]:
        """Captures that labels name, in their order; none where the labels are wrong: their own question says so."""
        try:
            return tuple(dict.fromkeys(label.capture for label in self.labels))
        except LabelError:
            return ()

    def frames(self, path: Path) -> FramesFound:
        """Return a file's frames, found once."""
        if path not in self._frames:
            rate_hz, width = self.sampling.get(path.name, (None, 8))
            self._frames[path] = frames_found(path, rate_hz=rate_hz, width=width)
        return self._frames[path]

    def labelled(self) -> dict[str, Frames]:
        """Return the frames of every capture that labels name, by file name."""
        names = {label.capture for label in self.labels}
        return {path.name: self.frames(path).frames for path in self.captures if path.name in names}

    def named(self, path: Path) -> str:
        """Return a file's name relative to the folder."""
        return path.relative_to(self.folder).as_posix()
