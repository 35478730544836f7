"""How much memory this process has taken at most. Reads /proc, so Linux only.

Not by getrusage: its largest resident size is carried over fork and exec, so that a small child of
a large process would be told the size of its parent.
"""

from pathlib import Path

_STATUS = Path("/proc/self/status")


def peak_mb() -> int | None:
    """Largest resident size of this program so far, in MB; None where the system does not say."""
    try:
        lines = _STATUS.read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    for line in lines:
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) // 1024
    return None
