"""The errors condmon raises on purpose. Imports nothing of the project.

Bad data from outside is never an error: it becomes a record with a reason. These are for what a
person has to put right. Each message says what happened, what it means and what to do.
"""


class CondmonError(Exception):
    """Something a person can act on; the command line prints the message and no traceback."""

    exit_code = 1


class UsageError(CondmonError):
    """Wrong words on the command line, or a file that is not what the command takes."""

    exit_code = 2


class ConfigError(CondmonError):
    """The configuration cannot be used; `problems` holds every problem found, one line each."""

    exit_code = 2

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class StoreError(CondmonError):
    """A file of the data folder cannot be read or written."""


class NewerError(StoreError):
    """A file of a form that only a later condmon knows; it is left as it is."""

    def __init__(self, file: object, form: object, known: int) -> None:
        super().__init__(
            f"{file}: was written by a newer condmon (form {form}, this one knows {known}) and is "
            "left as it is. Install that version again, or start with another data folder."
        )


class SendError(CondmonError):
    """A message was not taken; `again` tells whether trying later can help.

    `setup` tells that a person has to put something right first, as a password: it counts as
    failed, and is tried now and then whether that was done.
    """

    def __init__(
        self, reason: str, *, again: bool, wait_s: float | None = None, setup: bool = False
    ) -> None:
        super().__init__(reason)
        self.again = again
        self.wait_s = wait_s
        self.setup = setup
