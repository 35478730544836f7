"""The configuration that the daemon runs with, kept beside what it records.

So that a changed file can be held against it over the recorded time before it is in force.
It holds no secret: those stand in files of their own, which the configuration names.
"""

from condmon import log
from condmon.config import Config, load
from condmon.errors import CondmonError

NAME = "condmon.toml.in-force"
_log = log.get("inforce")


def keep(config: Config) -> None:
    """Keep the text of the file the daemon started with; a disk that refuses is only named."""
    path = config.store.path / NAME
    try:
        words = config.path.read_text(encoding="utf-8-sig")
        if load(config.path, words).settings.digest != config.settings.digest:
            return  # changed meanwhile: the next start keeps it
        if path.exists() and path.read_text(encoding="utf-8") == words:
            return
        new = path.with_suffix(".tmp")
        new.write_text(words, encoding="utf-8")
        new.replace(path)
    except (OSError, UnicodeDecodeError, CondmonError) as error:
        _log.warning("the configuration could not be kept", error=error,
                     meaning="a changed one cannot be held against it")  # fmt: skip


def in_force(config: Config) -> Config | None:
    """The configuration the daemon last started with, None where none is kept or it is unfit."""
    path = config.store.path / NAME
    try:
        return load(config.path, path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, CondmonError):
        return None
