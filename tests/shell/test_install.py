"""The set-up script and the units: what they put where, and what a unit may not do."""

import configparser
import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
UNITS = ("condmon.service", "condmon-backup.service")
NEEDED = {
    "NoNewPrivileges": "yes",
    "ProtectSystem": "strict",
    "ProtectHome": "yes",
    "PrivateTmp": "yes",
    "PrivateDevices": "yes",
    "CapabilityBoundingSet": "",
    "User": "condmon",
}


def unit(name: str) -> dict[str, str]:
    reader = configparser.ConfigParser(strict=False, interpolation=None)
    reader.optionxform = str  # type: ignore[assignment,method-assign]
    reader.read(DEPLOY / name)
    return dict(reader["Service"])


@pytest.mark.parametrize("name", UNITS)
def test_a_unit_runs_unprivileged_on_a_system_it_cannot_write(name):
    found = unit(name)
    assert NEEDED == {key: found.get(key) for key in NEEDED}
    assert "MemoryMax" in found


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="needs systemd-analyze")
@pytest.mark.parametrize("name", UNITS)
def test_exposure_is_low_by_systemds_own_figure(name):
    said = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", str(DEPLOY / name)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    level = re.search(rf"exposure level for {name}: ([0-9.]+)", said.stdout)
    assert level, said.stdout + said.stderr
    assert 2.0 >= float(level[1])


def install(root: Path, *words: str) -> str:
    done = subprocess.run([str(DEPLOY / "install"), "--root", str(root), *words],
                          capture_output=True, text=True, check=True)  # fmt: skip
    return done.stderr


@pytest.mark.long
def test_a_strict_mask_a_relative_folder_and_a_python_that_went_do_not_stop_it(tmp_path):
    built = (ROOT / "build").exists()
    words = ["sh", "-c", f"umask 077; {DEPLOY}/install --root here"]
    subprocess.run(words, cwd=tmp_path, check=True, capture_output=True)
    opt = tmp_path / "here/opt/condmon"
    closed = [path for path in opt.rglob("*")
              if not path.is_symlink() and path.stat().st_mode & 0o044 != 0o044]  # fmt: skip
    assert [] == closed
    assert built == (ROOT / "build").exists()
    (opt / "bin/python3").unlink()
    (opt / "bin/python3").symlink_to("/usr/bin/python2.0")
    assert "is made anew" in install(tmp_path / "here")
    subprocess.run([opt / "bin/condmon", "--version"], check=True, capture_output=True)


@pytest.mark.long
def test_installed_twice_and_removed_it_leaves_configuration_and_data(tmp_path):
    first = install(tmp_path)
    assert "next: make" in first
    config = tmp_path / "etc/condmon/condmon.toml"
    config.write_text(config.read_text() + "\n# mine\n")
    condmon = tmp_path / "opt/condmon/bin/condmon"
    subprocess.run([condmon, "check", "-c", config], check=True, capture_output=True)
    units = {path.name for path in (tmp_path / "etc/systemd/system").iterdir()}
    assert {"condmon.service", "condmon-backup.service", "condmon-backup.timer"} == units
    again = install(tmp_path)
    assert "wrote" not in again
    assert config.read_text().endswith("# mine\n")
    install(tmp_path, "--remove")
    left = [path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()]
    assert [Path("etc/condmon/condmon.toml")] == left


def test_unknown_words_are_told_and_nothing_is_done(tmp_path):
    done = subprocess.run([str(DEPLOY / "install"), "--rot", str(tmp_path)],
                          capture_output=True, text=True, check=False)  # fmt: skip
    assert 1 == done.returncode
    assert "does not know --rot" in done.stderr
