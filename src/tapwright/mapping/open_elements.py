"""What is open while readings are chosen: elements that no reading tells apart yet, pairs, and what was never shown."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.core.job import Demands
from tapwright.core.reading_map import Segments
from tapwright.mapping.elements import Candidate, Element, Elements
from tapwright.mapping.fit import Learned
from tapwright.mapping.pairs import Pairs
from tapwright.mapping.unseen import Unseen, task_name

_TASK_BITS = 4.0
_PAIR_BITS = 0.25


class OpenElements:
    """What the labels and the readings chosen so far leave open.

    Attributes
    ----------
    group : int64, shape (n + n_phantoms,): as of `Elements`, split by every reading taken
    live : bool, shape (n,): elements about which something is open
    unseen : its `tasks` are those left
    """

    def __init__(self, learned: Learned, demands: Demands) -> None:
        assert learned.reading_map is not None
        self.elements = Elements(learned, demands)
        self.unseen = Unseen(learned, demands, self.elements)
        segments = isinstance(learned.reading_map.displays[0].digits, Segments)
        self.pairs = Pairs(self.elements) if segments else None
        self._all_tasks = list(self.unseen.tasks)
        self.begin()

    def begin(self) -> None:
        """Forget all readings but those of labels."""
        if self.pairs is not None:
            self.pairs.begin()
        self._regrouped(self.elements.group)
        self.unseen.tasks = list(self._all_tasks)

    def gain(self, reading: Candidate) -> float:
        """Return what a reading tells, in bits: what it splits of the classes, tasks done, pairs shown anew."""
        done = sum(_TASK_BITS for task in self.unseen.tasks if self.unseen.does(task, reading))
        if self.pairs is not None:
            done += _PAIR_BITS * self.pairs.gain(reading)
        # A flag more is a key more to press.
        if not len(self.open):
            return done - 0.01 * len(reading.flags)
        split = 2 * self.group[self.open] + self.levels(reading)[self.open]
        return self.entropy - float(self.weight[np.bincount(split)].sum()) + done - 0.01 * len(reading.flags)

    def does(self, reading: Candidate) -> NDArray[np.bool_]:
        """Return every fact that a reading shows: tasks done, members of a class parted, pairs shown either way."""
        levels, group = self.levels(reading)[self.open], self.group[self.open]
        parted = np.triu((group[:, None] == group) & (levels[:, None] != levels), 1)
        tasks = [self.unseen.does(task, reading) for task in self.unseen.tasks]
        pairs = [] if self.pairs is None else [self.pairs.unlike_labels(reading).ravel()]
        return np.concatenate([np.array(tasks, np.bool_), parted.ravel(), *pairs])

    def take(self, reading: Candidate) -> tuple[str, ...]:
        """Count a reading as shown; return what it settles or, where it settles nothing yet, tells apart further."""
        before, split = self.group, np.where(self.group < 0, -1, 2 * self.group + self.levels(reading))
        alone = {int(value) for value, count in zip(*np.unique(split, return_counts=True), strict=True) if count == 1}
        names = [element.name for element, value in zip(self.elements.every, split.tolist(), strict=False)
                 if value >= 0 and value in alone]
        done = [task for task in self.unseen.tasks if self.unseen.does(task, reading)]
        after = np.where(np.isin(split, list(alone)), -1, split)
        kept = {value: i for i, value in enumerate(sorted(set(after[after >= 0].tolist())))}
        if self.pairs is not None:
            self.pairs.take(reading)
        self._regrouped(np.array([kept.get(int(value), -1) for value in after], np.int64))
        self.unseen.tasks = [task for task in self.unseen.tasks if task not in done]
        narrowed = [element.name for element, a in zip(self.elements.every, before.tolist(), strict=False) if a >= 0]
        return (*(task_name(task) for task in done), *names) or tuple(narrowed[:6])

    def levels(self, reading: Candidate) -> NDArray[np.int64]:
        """Return the levels of all members; how an overload lights the places is not known and splits nothing."""
        levels = self.elements.levels(reading)
        if reading.state == "overload":
            levels[self.with_place] = 0
        return levels

    def _regrouped(self, group: NDArray[np.int64]) -> None:
        """Take over which elements are still alike."""
        self.group = group
        self.open = np.flatnonzero(group >= 0)
        placed = {int(at) for element, at in zip(self.elements.every, group, strict=False) if element.kind == "place"}
        self.with_place = np.isin(group, list(placed))
        self.live = group[:len(self.elements.every)] >= 0
        if self.pairs is not None:
            self.pairs.regrouped(group[:len(self.elements.every)])
            self.live = self.live | self.pairs.open.any(0) | self.pairs.open.any(1)
        counts = np.arange(len(group) + 1, dtype=np.float64)
        self.weight = counts * np.log2(np.maximum(counts, 1))
        self.entropy = float(self.weight[np.bincount(group[self.open])].sum()) if len(self.open) else 0.0

    def live_elements(self) -> list[Element]:
        """Return the elements about which something is open."""
        return [element for element, live in zip(self.elements.every, self.live.tolist(), strict=True) if live]

    def open_places(self) -> list[int]:
        """Return the places about which something is open."""
        open_ = {element.key[0] for element in self.live_elements() if element.kind == "place"}
        open_ |= {int(task[1]) for task in self.unseen.tasks if task[0] == "digit"}
        return sorted(open_)

    @property
    def flags(self) -> list[str]:
        """All flags that have a lamp."""
        return [element.key[1] for element in self.elements.every if element.kind == "flag"]
