"""Starts the child process that learns, and reads what it found. Imports nothing heavy itself."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from condmon.engine.records import MODEL_CONTENT_MAX
from condmon.errors import CondmonError

TIME_MAX_S = 3600.0
DAYS = 30
"""What is learned of what was recorded: so many days back."""
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class LearningError(CondmonError):
    """The child process did not come to its end; the text says why."""


class Learned(NamedTuple):
    """A model, or in `words` why there is none; `content` is empty then."""

    machine: str
    model: str
    id: str
    content: str
    words: str


def learned(
    config: Path,
    files: Sequence[Path] = (),
    machine: str | None = None,
    options: Sequence[str] = (),
    time_max_s: float = TIME_MAX_S,
) -> list[Learned]:
    """Models from recordings, or from what was recorded; on one core, in a process of its own.

    Raises
    ------
    LearningError
        If it took too long, was killed, or could not read what it was given.
    """
    command = [sys.executable, "-m", "condmon.learning", str(config), *map(str, files)]
    if machine:
        command += ["--machine", machine]
    command += options
    alone = {**os.environ, **dict.fromkeys(_THREADS, "1")}
    try:
        done = subprocess.run(
            command, env=alone, capture_output=True, timeout=time_max_s, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise LearningError(
            f"learning was stopped after {time_max_s / 60:.0f} min; the models stay as they are"
        ) from error
    except OSError as error:
        raise LearningError(f"the process that learns could not be started: {error}") from error
    if done.returncode:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        why = said[-1] if said else f"exit code {done.returncode}"
        raise LearningError(f"learning failed, the models stay as they are: {why}")
    return list(_lines(done.stdout))


def _lines(out: bytes) -> Iterator[Learned]:
    for line in out.splitlines():
        if len(line) > 2 * MODEL_CONTENT_MAX + 10_000:
            raise LearningError("the process that learns said more than a model can hold")
        try:
            yield Learned(**{str(k): str(v) for k, v in json.loads(line).items()})
        except (ValueError, TypeError, AttributeError) as error:
            raise LearningError("the process that learns said what nobody understands") from error


def told(made: Learned, *, as_json: bool) -> str:
    """A line for a person, or a JSON object: what was learned, or why nothing was."""
    if not as_json:
        return f"{made.machine}: {made.words}."
    row = {"kind": "learned" if made.content else "refused", "machine": made.machine}
    return json.dumps({**row, "model": made.model, "id": made.id or None, "words": made.words})
