"""The questions of a job, one a module: which evidence answers it, and its present answer.

A module has `ORDER` (place on the page), `QUESTION`, `files(desk) -> tuple[Path, ...]` (the evidence it would read) and
`answer(desk) -> Answer` (called only when there are files).
"""
