"""Fitted models, `models/MACHINE.KIND.json` in the data folder; handed to the engine from there.

`condmon learn` and the nightly chore write them; a daemon looks at its start, after the chore, and
whenever the folder has changed. A model goes through the inbox as a record that carries it whole,
so that the recording explains every output. The fitting runs in a process of its own.
"""

import contextlib
import os
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import orjson

from condmon import log
from condmon.engine.logwords import TAKES_EFFECT
from condmon.engine.oddmodel import KIND
from condmon.engine.outputs import Entry
from condmon.engine.records import MODEL_CONTENT_MAX, SECOND_US, Action, ModelOn, Record
from condmon.errors import CondmonError, StoreError
from condmon.jobs import Jobs
from condmon.learning.child import DAYS, TIME_MAX_S, Learned, learned

FOLDER = "models"
LOOK_EVERY_S = 5.0
DAY_US = 86_400 * SECOND_US
NOTE_MAX = 600
_log = log.get("models")

On = Mapping[tuple[str, str], str]
"""(machine, kind) -> id of the model that is on."""


def keep(folder: Path, made: Learned) -> Path:
    """Write a model so that it is there whole or not at all. Raises StoreError."""
    path = folder / FOLDER / f"{made.machine}.{made.model}.json"
    try:
        path.parent.mkdir(mode=0o770, exist_ok=True)
        new = path.with_name(f".{path.name}.{os.getpid()}")
        with new.open("wb") as file:
            file.write(orjson.dumps(made._asdict()))
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        raise StoreError(
            f"{path}: cannot be written: {error.strerror}. The models stay as they are. Run the "
            "command as the user condmon runs as."
        ) from error
    return path


def kept(folder: Path) -> list[Learned]:
    """The models of a data folder; what cannot be read is named in the log and left out."""
    out = []
    for path in sorted((folder / FOLDER).glob("*.json")):
        try:
            if path.stat().st_size > 2 * MODEL_CONTENT_MAX:
                raise ValueError("it is larger than a model can be")
            words = {str(k): str(v) for k, v in orjson.loads(path.read_bytes()).items()}
            out.append(Learned(**words))
        except (OSError, TypeError, ValueError, AttributeError) as error:
            _log.error("model cannot be read", file=path.name, error=error,
                       meaning="it is not used; condmon learn makes a new one")  # fmt: skip
    return out


def models_of(newest_first: Iterable[Entry]) -> list[tuple[Entry, dict[str, str]]]:
    """The entry of each machine's model that is on, or of how far its learning has come."""
    found: dict[tuple[str, str], tuple[Entry, dict[str, str]]] = {}
    for entry in newest_first:
        head, on, words = entry.text.partition(TAKES_EFFECT)
        model = str(entry.facts.get("model", KIND if "days_needed" in entry.facts else ""))
        if not model or not (on or "days_needed" in entry.facts):
            continue
        told = {"model": model, "words": words.removeprefix(": ") or ("" if on else head)}
        found.setdefault((entry.machine, model), (entry, told))
    return [found[key] for key in sorted(found)]


class Models:
    """Hands new models to the engine, and has them learned anew every night.

    Parameters
    ----------
    folder : Path
        The data folder.
    config : Path
        The configuration, for the process that learns.
    put : callable
        Takes the record (`Inbox.put_action`).
    now_us, monotonic_s : callable
        The time.
    """

    def __init__(
        self,
        folder: Path,
        config: Path,
        put: Callable[[Record], None],
        now_us: Callable[[], int],
        monotonic_s: Callable[[], float],
    ) -> None:
        self._folder, self._config, self._put, self._now_us = folder, config, put, now_us
        self._monotonic_s = monotonic_s
        self._handed: dict[tuple[str, str], str] = {}
        self._noted: dict[tuple[str, str], str] = {}
        self._seen_ns = -1
        self._looked_s = monotonic_s()

    def start(self, jobs: Jobs, on: On) -> None:
        """Hand over what is newer than what is on; learn every night from now on."""
        self._handed = dict(on)
        self._look()
        jobs.daily("learn", self.learn, hour=1, minute=40, may_take_s=TIME_MAX_S + 600.0)

    def look(self) -> None:
        """Now and then: hand over what was written since."""
        now_s = self._monotonic_s()
        if now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            self._look()

    def learn(self) -> None:
        """Learn from what was recorded and keep what came of it; the daemon's turn finds it."""
        from_us = self._now_us() - DAYS * DAY_US
        try:
            for made in learned(self._config, options=["--from", str(from_us)]):
                if made.content:
                    keep(self._folder, made)
                else:
                    self._note(made)
                _log.info("learned" if made.content else "not learned", machine=made.machine,
                          model=made.model, words=made.words)  # fmt: skip
        except CondmonError as error:
            _log.error("nothing was learned", error=str(error))

    def _note(self, made: Learned) -> None:
        """Why nothing was learned stands in the machine's log, once until the reason changes."""
        reason = re.sub(r"[0-9]+", "", made.words)
        if self._noted.get((made.machine, made.model)) != reason:
            self._noted[made.machine, made.model] = reason
            text = made.words[:NOTE_MAX]
            self._put(Action(self._now_us(), "note", "condmon", machine=made.machine, text=text))

    def _look(self) -> None:
        changed_ns = -1
        with contextlib.suppress(OSError):
            changed_ns = (self._folder / FOLDER).stat().st_mtime_ns
        if changed_ns == self._seen_ns:
            return
        self._seen_ns = changed_ns
        for made in kept(self._folder):
            if self._handed.get((made.machine, made.model)) != made.id:
                self._handed[made.machine, made.model] = made.id
                self._put(ModelOn(self._now_us(), made.machine, made.model, made.id, made.content))
