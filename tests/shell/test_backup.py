"""Backup beside a running daemon, and what comes out of it elsewhere."""

import json
import shutil
from argparse import Namespace

import pytest

from condmon.cli import main
from condmon.commands import backup as commands
from condmon.errors import StoreError
from condmon.store.journal import Reader
from tests.shops import recorded, rows, shop

__all__ = ["shop"]


@pytest.fixture
def lived(shop):
    """A shop with a running service, an alert and a few minutes of samples."""
    service = shop.service()
    shop.live(service, 5, 40.0)
    shop.live(service, 8, 60.0)
    return service


def backup(shop, folder) -> int:
    return main(["backup", str(folder), "-c", str(shop.folder / "condmon.toml")])


def restore(shop, folder) -> int:
    return main(["restore", str(folder), "-c", str(shop.folder / "condmon.toml")])


def test_what_was_backed_up_while_it_ran_goes_on_after_a_restore(shop, lived, tmp_path, capsys):
    assert 0 == backup(shop, tmp_path / "b")
    assert "accounts" not in capsys.readouterr().err
    before, samples = shop.alerts(), rows(recorded(lived))
    shop.leave(lived)
    shop.store.rename(tmp_path / "lost")
    assert 0 == restore(shop, tmp_path / "b")
    service = shop.service()
    assert before == shop.alerts()
    assert samples == rows(recorded(service))
    shop.live(service, 8, 40.0)
    assert [False] == [is_open for _, _, is_open in shop.alerts()]


def test_a_second_backup_copies_only_what_changed(shop, lived, tmp_path, capsys):
    backup(shop, tmp_path / "b")
    shop.leave(lived)
    backup(shop, tmp_path / "b")
    capsys.readouterr()
    assert 0 == backup(shop, tmp_path / "b")
    assert " 0 of them new or changed" in capsys.readouterr().out


def test_a_day_that_is_sealed_while_it_is_copied_is_in_the_backup_all_the_same(
    shop, lived, tmp_path, monkeypatch
):
    whole, sealed = commands._copy, shop.store / "history" / "mill-1.parquet"

    def copy(source, target, before):
        if source.name.startswith("stream-") and not sealed.exists():
            sealed.parent.mkdir()
            sealed.write_bytes(b"the day")
            source.unlink()
        return whole(source, target, before)

    shop.leave(lived)
    monkeypatch.setattr(commands, "_copy", copy)
    assert 0 == backup(shop, tmp_path / "b")
    assert b"the day" == (tmp_path / "b" / "history" / "mill-1.parquet").read_bytes()
    names = json.loads((tmp_path / "b" / "backup.json").read_bytes())["files"]
    assert {"journal.db", "history/mill-1.parquet"} <= set(names)
    assert not [name for name in names if name.startswith("stream-")]


def test_a_file_that_is_there_and_cannot_be_copied_is_told(shop, lived, tmp_path, monkeypatch):
    def refuse(source, _target, _before):
        raise OSError(28, "No space left on device", str(source))

    monkeypatch.setattr(commands, "_copy", refuse)
    with pytest.raises(StoreError, match=r"is not complete.*No space left"):
        commands.run(Namespace(config=shop.folder / "condmon.toml", to=tmp_path / "b"))


def test_a_changed_or_missing_file_is_found_and_nothing_is_restored(shop, lived, tmp_path, capsys):
    backup(shop, tmp_path / "b")
    shop.leave(lived)
    shutil.rmtree(shop.store)
    with (tmp_path / "b" / "journal.db").open("r+b") as file:
        file.seek(100)
        file.write(b"\xff")
    assert 1 == restore(shop, tmp_path / "b")
    assert "journal.db; nothing was restored" in capsys.readouterr().err
    assert not shop.store.exists()


def test_a_folder_in_use_or_not_empty_is_left_alone(shop, lived, tmp_path, capsys):
    backup(shop, tmp_path / "b")
    assert 1 == restore(shop, tmp_path / "b")
    assert "a daemon" in capsys.readouterr().err
    shop.leave(lived)
    assert 1 == restore(shop, tmp_path / "b")
    assert "is not empty; nothing was changed" in capsys.readouterr().err
    with Reader(shop.store) as reader:
        assert reader.alerts()


@pytest.mark.parametrize("names", [{"../../evil": {}}, {"/etc/evil": {}}, [], "x"])
def test_a_list_that_leads_elsewhere_is_no_backup(shop, tmp_path, capsys, names):
    folder = tmp_path / "b"
    folder.mkdir()
    (folder / "backup.json").write_text(json.dumps({"files": names}))
    assert 2 == restore(shop, folder)
    assert "is no backup of condmon" in capsys.readouterr().err


def test_a_backup_into_the_data_folder_is_refused(shop, lived, capsys):
    assert 2 == backup(shop, shop.store / "b")
    assert "choose another disk" in capsys.readouterr().err
