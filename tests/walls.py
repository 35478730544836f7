"""The walls that a unit of systemd puts around a process, without systemd, for any command.

python -m tests.walls UNIT COMMAND...     what it starts stands behind them as well

Built are the system calls of SystemCallFilter, MemoryDenyWriteExecute and NoNewPrivileges: what a
library or a child process may stumble over. Stricter than the unit: a call that is not allowed ends
the process (SIGSYS), so that nothing is missed because somebody caught the error. Root alone may
ask for a change of owner, in vain: SQLite does so where root runs it.
"""

import ctypes
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

LIBRARY = "libseccomp.so.2"
ALLOW, KILL, REFUSE = 0x7FFF_0000, 0x8000_0000, 0x0005_0000  # SCMP_ACT_* of <seccomp.h>
EPERM = 1
MASKED_EQUAL = 7  # SCMP_CMP_MASKED_EQ
PROT_WRITE, PROT_EXEC, SHM_EXEC = 2, 4, 0o100000
WRITE_AND_RUN = (
    ("mmap", 2, PROT_WRITE | PROT_EXEC),
    ("mprotect", 2, PROT_EXEC),
    ("pkey_mprotect", 2, PROT_EXEC),
    ("shmat", 2, SHM_EXEC),
)  # as systemd.exec(5) tells of MemoryDenyWriteExecute


class _Compared(ctypes.Structure):
    """A condition on one argument of a call (struct scmp_arg_cmp)."""

    _fields_ = [("arg", ctypes.c_uint), ("op", ctypes.c_int), ("a", ctypes.c_uint64),
                ("b", ctypes.c_uint64)]  # fmt: skip


def settings(unit: Path, key: str) -> list[str]:
    """The values of a key of a unit, in its order."""
    rows = (line.split("=", 1) for line in unit.read_text().splitlines() if "=" in line)
    return [value for name, value in rows if name == key]


@cache
def group(name: str) -> frozenset[str]:
    """The calls of one of systemd's groups, such as @privileged."""
    words = ["systemd-analyze", "syscall-filter", name]
    said = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    return _calls(row.strip() for row in said.splitlines()[1:])


def allowed(unit: Path) -> frozenset[str]:
    """The calls that a unit leaves: its filters one after the other, and what always is."""
    found: frozenset[str] = frozenset()
    for row in settings(unit, "SystemCallFilter"):
        named = _calls(row.removeprefix("~").split())
        found = found - named if row.startswith("~") else found | named
    return found | group("@default")


def _calls(names: object) -> frozenset[str]:
    found: set[str] = set()
    for name in names:  # type: ignore[attr-defined]
        if name.startswith("@"):
            found |= group(name)
        elif name and not name.startswith("#"):
            found.add(name)
    return frozenset(found)


def build(unit: Path) -> None:
    """Put this process, and all that it starts from now on, behind the walls of a unit."""
    calls, filters = allowed(unit), settings(unit, "SystemCallFilter")
    refused = group("@chown") - calls if os.geteuid() == 0 else frozenset()
    if settings(unit, "MemoryDenyWriteExecute") == ["yes"]:
        _load(ALLOW, {}, WRITE_AND_RUN)
    if filters:
        _load(KILL, dict.fromkeys(calls, ALLOW) | dict.fromkeys(refused, REFUSE | EPERM))


def _load(otherwise: int, calls: dict[str, int], bits: tuple[tuple[str, int, int], ...] = ()):
    library = ctypes.CDLL(LIBRARY)
    library.seccomp_init.restype = ctypes.c_void_p
    made = ctypes.c_void_p(library.seccomp_init(ctypes.c_uint32(otherwise)))
    assert made
    rows: list[tuple[str, int, list[_Compared]]] = [(name, do, []) for name, do in calls.items()]
    rows += [(name, REFUSE | EPERM, [_Compared(arg, MASKED_EQUAL, mask, mask)])
             for name, arg, mask in bits]  # fmt: skip
    for name, do, compared in rows:
        number = library.seccomp_syscall_resolve_name(name.encode())
        if number >= 0:  # not one of another processor
            array = (_Compared * len(compared))(*compared)
            done = library.seccomp_rule_add_array(
                made, ctypes.c_uint32(do), number, len(compared), array
            )
            assert done == 0, (name, done)
    assert library.seccomp_load(made) == 0  # sets NoNewPrivileges as well


if __name__ == "__main__":
    build(Path(sys.argv[1]))
    os.execvp(sys.argv[2], sys.argv[2:])
