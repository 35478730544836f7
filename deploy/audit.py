"""Has pip-audit ask about the parts of an environment, and says in words what came of it.

python deploy/audit.py ENVIRONMENT PIP_AUDIT     as deploy/audit calls it; standard library only

pip-audit ends with 1 where a weakness is known and where it could not ask; its report tells which.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

NONE, SOME, NOT_ASKED = 0, 1, 2
LIMIT_S = 600


def main(environment: str, asker: str) -> int:
    """Ask, tell, and give the exit code."""
    places = sorted(Path(environment).glob("lib/python3*/site-packages"))
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        words = [asker, "--format", "json", "--output", str(report), "--progress-spinner", "off"]
        for place in places:
            words += ["--path", str(place)]
        try:
            done = subprocess.run(
                words, capture_output=True, text=True, check=False, timeout=LIMIT_S
            )
            parts = json.loads(report.read_bytes())["dependencies"]
        except subprocess.TimeoutExpired:
            return _tell("not asked: there was no answer for ten minutes", NOT_ASKED)
        except (OSError, ValueError, KeyError, TypeError):
            last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
            return _tell(f"not asked: is there a network? pip-audit said: {last}", NOT_ASKED)
    return _judge(parts)


def _judge(parts: list[dict[str, Any]]) -> int:
    asked = [part for part in parts if "skip_reason" not in part]
    left = sorted(part["name"] for part in parts if "skip_reason" in part)
    left = [name for name in left if name != "condmon"]  # no package of any index
    weak = [(part, one) for part in asked for one in part["vulns"]]
    for part, one in weak:
        mended = ", ".join(one["fix_versions"]) or "no version yet"
        print(f"{part['name']} {part['version']}: {one['id']}, mended in {mended}")
    if left:
        print(
            f"not asked about, for the index that was asked does not know them: {', '.join(left)}"
        )
    _tell(f"{len(asked)} parts were asked about; weaknesses that are known: {len(weak)}", NONE)
    if weak:
        return SOME
    return NONE if asked and not left else NOT_ASKED


def _tell(words: str, code: int) -> int:
    print(words)
    return code


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
