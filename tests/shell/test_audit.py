"""The question for weaknesses of parts: known, none, or not asked; never one for another."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
GOOD = {"name": "numpy", "version": "2.4.6", "vulns": []}
KNOWN = {"id": "PYSEC-1", "fix_versions": ["1.1"], "aliases": [], "description": ""}
WEAK = {"name": "pillow", "version": "1.0", "vulns": [KNOWN]}
OURS = {"name": "condmon", "skip_reason": "it is not there"}
LEFT = {"name": "orjson", "skip_reason": "it is not there"}


def asked(folder: Path, report: str | None) -> subprocess.CompletedProcess[str]:
    """What is said with a stand-in for pip-audit that writes this report and ends with 1."""
    (folder / "lib" / "python3.11" / "site-packages").mkdir(parents=True)
    asker = folder / "pip-audit"
    asker.write_text(
        f"#!{sys.executable}\nimport sys, pathlib\nassert '--path' in sys.argv\n"
        f"report = {report!r}\nif report is not None:\n"
        "    pathlib.Path(sys.argv[sys.argv.index('--output') + 1]).write_text(report)\n"
        "print('ConnectionError: no route', file=sys.stderr)\nsys.exit(1)\n"
    )
    asker.chmod(0o755)
    return subprocess.run([sys.executable, str(DEPLOY / "audit.py"), str(folder), str(asker)],
                          capture_output=True, text=True, check=False)  # fmt: skip


@pytest.mark.parametrize(("parts", "code", "said"), [
    ([GOOD, OURS], 0, "1 parts were asked about; weaknesses that are known: 0\n"),
    ([GOOD, WEAK], 1, "pillow 1.0: PYSEC-1, mended in 1.1\n2 parts were asked about; weaknesses "
     "that are known: 1\n"),
    ([GOOD, LEFT], 2, "not asked about, for the index that was asked does not know them: orjson\n"
     "1 parts were asked about; weaknesses that are known: 0\n"),
    ([OURS], 2, "0 parts were asked about; weaknesses that are known: 0\n"),
    ([], 2, "0 parts were asked about; weaknesses that are known: 0\n"),
])  # fmt: skip
def test_report_is_told_in_words_and_by_the_exit_code(tmp_path, parts, code, said):
    done = asked(tmp_path, json.dumps({"dependencies": parts, "fixes": []}))
    assert (code, said) == (done.returncode, done.stdout), done.stderr


@pytest.mark.parametrize("report", [None, "", "{}", "[]", "no JSON"])
def test_without_a_report_nothing_counts_as_asked(tmp_path, report):
    done = asked(tmp_path, report)
    assert (2, "not asked: is there a network? pip-audit said: ConnectionError: no route\n") == (
        done.returncode, done.stdout,
    )  # fmt: skip


def test_without_a_network_it_says_so_and_ends_with_2(tmp_path):
    """As it stands, with the registry at a port where nobody listens."""
    for name in ("deploy/audit", "deploy/audit.py", "deploy/prepare.sh"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes((DEPLOY.parent / name).read_bytes())
    (tmp_path / "deploy/audit").chmod(0o755)
    away = {"PIP_INDEX_URL": "http://127.0.0.1:9/simple", "PIP_CONFIG_FILE": os.devnull}
    away |= dict.fromkeys(("PIP_EXTRA_INDEX_URL", "PIP_FIND_LINKS"), "")
    done = subprocess.run([str(tmp_path / "deploy/audit"), sys.prefix], capture_output=True,
                          text=True, check=False, env={**os.environ, **away})  # fmt: skip
    assert 2 == done.returncode
    assert "not asked: pip-audit could not be installed" in done.stderr
    assert "Is there a network?" in done.stderr


def test_what_is_no_environment_is_told(tmp_path):
    done = subprocess.run([str(DEPLOY / "audit"), str(tmp_path)], capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert 2 == done.returncode
    assert "is no environment" in done.stderr
