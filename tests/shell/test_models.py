"""Models in the data folder: whole or not at all, handed over once, each in a record of its own."""

import orjson
import pytest

from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, ModelOn
from condmon.errors import StoreError
from condmon.jobs import Jobs
from condmon.learning import models
from condmon.learning.child import Learned
from condmon.learning.models import Models, keep, kept
from tests.engine.test_bearing_checks import TRADE, model_on, shop


def made(gain_k: float = 19.0) -> Learned:
    record = model_on(TRADE.__class__(**{**_parts(), "gain_k": gain_k}))
    return Learned("mill-1", "thermal", record.id, record.content, "words")


def _parts():
    return {name: getattr(TRADE, name) for name in TRADE.__slots__}


class World:
    """A daemon's models with a clock that tests move."""

    def __init__(self, folder):
        self.now_s = 0.0
        self.records: list[ModelOn] = []
        self.models = Models(
            folder,
            folder / "condmon.toml",
            self.records.append,
            lambda: round(self.now_s * SECOND_US),
            lambda: self.now_s,
        )

    def later(self):
        self.now_s += models.LOOK_EVERY_S
        self.models.look()


def test_model_is_kept_and_read_again(tmp_path):
    path = keep(tmp_path, made())
    assert [made()] == kept(tmp_path)
    assert [path] == list(path.parent.iterdir())
    assert "mill-1.thermal.json" == path.name


def test_newer_model_takes_the_place_of_the_older(tmp_path):
    keep(tmp_path, made())
    keep(tmp_path, made(20.0))
    assert [made(20.0)] == kept(tmp_path)


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"\xff", b'{"machine": 1}', b"x" * 10])
def test_damaged_file_is_left_out(tmp_path, content):
    keep(tmp_path, made())
    (tmp_path / "models" / "mill-2.thermal.json").write_bytes(content)
    assert [made()] == kept(tmp_path)


def test_huge_file_is_not_read(tmp_path):
    keep(tmp_path, made())
    (tmp_path / "models" / "mill-2.thermal.json").write_bytes(b" " * 3_000_000)
    assert [made()] == kept(tmp_path)


def test_folder_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "models").write_text("a file")
    with pytest.raises(StoreError, match="models stay as they are"):
        keep(tmp_path, made())


def test_model_is_handed_over_at_the_start_and_only_once(tmp_path):
    keep(tmp_path, made())
    world = World(tmp_path)
    world.models.start(Jobs(), {})
    world.later()
    (record,) = world.records
    assert ("mill-1", "thermal", made().id, made().content) == (
        record.machine,
        record.model,
        record.id,
        record.content,
    )


def test_model_that_is_on_already_is_not_handed_over_again(tmp_path):
    keep(tmp_path, made())
    world = World(tmp_path)
    engine = Engine(shop())
    engine.push([ModelOn(1, "mill-1", "thermal", made().id, made().content)])
    assert {("mill-1", "thermal"): made().id} == engine.models_on()
    world.models.start(Jobs(), engine.models_on())
    assert [] == world.records


def test_model_written_while_the_daemon_runs_is_found_within_seconds(tmp_path):
    world = World(tmp_path)
    world.models.start(Jobs(), {})
    keep(tmp_path, made())
    world.models.look()
    assert [] == world.records  # not every turn looks at the disk
    world.later()
    keep(tmp_path, made(20.0))
    world.later()
    assert [made().id, made(20.0).id] == [record.id for record in world.records]
    assert 2 * models.LOOK_EVERY_S * SECOND_US == world.records[1].at_us


def test_learning_that_fails_at_night_ends_nothing(tmp_path):
    world = World(tmp_path)
    world.models.learn()  # there is no configuration at all
    assert [] == kept(tmp_path)


def test_file_holds_what_the_child_process_said(tmp_path):
    path = keep(tmp_path, made())
    assert made()._asdict() == orjson.loads(path.read_bytes())
