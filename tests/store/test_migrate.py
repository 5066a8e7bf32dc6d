"""Migrations make the schema the code expects, whole or not at all."""

import gzip
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic import op
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect

from cabinetwatch.notify.mail import content_of
from cabinetwatch.store.backup import back_up
from cabinetwatch.store.codecs import Tier
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import DamagedStoreError, database_url, kind_of_status
from cabinetwatch.store.schema import REVISIONS, metadata
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from tests.notify.samples import make_config
from tests.store.examples import T0, batch, reading, transition
from tests.store.upkeep import tidied
from tests.support import forked


def run_migrate(*arguments: str) -> subprocess.CompletedProcess[str]:
    return forked.run("cabinetwatch.store.migrate", *arguments)


def test_a_child_process_makes_the_store_without_a_word(tmp_path: Path) -> None:
    url = database_url(tmp_path / "cabinet.db")
    done = run_migrate(url)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    with Store.open(url) as store:
        store.commit(batch(reading()))


def test_a_child_process_says_in_one_sentence_what_is_wrong(tmp_path: Path) -> None:
    done = run_migrate(database_url(tmp_path / "missing" / "cabinet.db"))
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith(f"The store {tmp_path}/missing/cabinet.db")


def test_a_child_process_tells_damage_by_its_status_and_a_foreign_file_not(
    path: Path, tmp_path: Path
) -> None:
    path.write_bytes(path.read_bytes()[:2048] + b"\xa5" * 8192)
    done = run_migrate(database_url(path))
    assert kind_of_status(done.returncode) is DamagedStoreError
    assert f"The store {path} is damaged" in done.stderr
    foreign = tmp_path / "letter.txt"
    foreign.write_text("Dear neighbour, " * 100)
    done = run_migrate(database_url(foreign))
    assert done.returncode == 2
    assert "is damaged" not in done.stderr


def test_a_child_process_without_a_url_tells_its_usage() -> None:
    done = run_migrate()
    assert done.returncode == 2
    assert done.stderr == "usage: python -m cabinetwatch.store.migrate URL\n"


def test_migrations_and_tables_of_the_code_agree(path: Path) -> None:
    engine = create_engine(database_url(path))
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
        found = inspect(connection)
        for table in metadata.tables.values():
            indexes = {str(index["name"]) for index in found.get_indexes(table.name)}
            assert indexes == {str(index.name) for index in table.indexes}
            nullable = {
                column["name"]: column["nullable"] for column in found.get_columns(table.name)
            }
            assert nullable == {column.name: column.nullable for column in table.columns}
    engine.dispose()


def test_every_revision_is_known_in_its_order() -> None:
    config = Config()
    config.set_main_option("script_location", "cabinetwatch.store:migrations")
    scripts = ScriptDirectory.from_config(config).walk_revisions()
    assert tuple(script.revision for script in scripts)[::-1] == REVISIONS


def test_migrating_again_changes_nothing(store: Store, url: str) -> None:
    store.commit(batch(reading()))
    store.close()
    migrate(url)
    with Store.open(url, read_only=True) as again:
        assert len(list(again.inputs())) == 1


def test_a_migration_that_fails_leaves_no_trace_and_can_be_run_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "cabinet.db"
    create_index = op.create_index

    def fail_at_the_last(name: str, *arguments: Any, **options: Any) -> None:
        if name == "command_waiting":
            raise RuntimeError("half way")
        create_index(name, *arguments, **options)

    with monkeypatch.context() as patched:
        patched.setattr(op, "create_index", fail_at_the_last)
        with pytest.raises(RuntimeError, match="half way"):
            migrate(database_url(path))
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == []
    with pytest.raises(StoreError, match="older cabinetwatch"):
        Store.open(database_url(path))
    migrate(database_url(path))
    with Store.open(database_url(path)) as store:
        store.commit(batch(reading()))


def test_a_store_of_a_newer_version_is_refused_and_untouched(path: Path, url: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'v9999'")
        connection.commit()
    before = path.read_bytes()
    for use in (migrate, Store.open, lambda url: Store.open(url, read_only=True)):
        with pytest.raises(StoreError, match=r"written by a newer cabinetwatch \(schema v9999"):
            use(url)
    assert path.read_bytes() == before


DATA = Path(__file__).parent / "data"


def test_there_is_a_store_of_every_schema_there_ever_was() -> None:
    assert {path.name.partition(".")[0] for path in DATA.glob("*.db.gz")} == set(REVISIONS)


@pytest.mark.parametrize("revision", REVISIONS)
class TestAStoreOfAnOlderVersion:
    """Each file was written by the version that had this schema, ended by a clean stop."""

    @pytest.fixture
    def old(self, revision: str, tmp_path: Path) -> Path:
        path = tmp_path / "old.db"
        path.write_bytes(gzip.decompress((DATA / f"{revision}.db.gz").read_bytes()))
        return path

    def test_it_is_refused_until_it_is_brought_up_to_date(self, revision: str, old: Path) -> None:
        with closing(sqlite3.connect(old)) as connection:
            found = connection.execute("SELECT version_num FROM alembic_version").fetchall()
        assert found == [(revision,)]
        if revision == REVISIONS[-1]:
            Store.open(database_url(old)).close()
            return
        with pytest.raises(StoreError, match="older cabinetwatch"):
            Store.open(database_url(old))

    def test_it_keeps_all_it_had_and_gets_tiers_of_it(self, revision: str, old: Path) -> None:
        migrate(database_url(old))
        with Store.open(database_url(old)) as store:
            readings = [item for item, _ in store.readings()]
            assert len(readings) == 120
            assert [entry.kind for _, entry in store.entries()] == ["config", "start", "stop"]
            assert [each.id for each in store.transitions()] == [transition().id]
            assert [posted.id for posted, _ in store.waiting()] == ["n-1"]
            assert store.saved_state() == (123, T0 + 130_000, b"engine")
            # Counted from the schema on that has a place for it.
            unreadable = {} if revision < "v0004" else {"nas-air": 3}
            assert {name: each.total for name, each in store.unreadable().items()} == unreadable
            for _ in range(2):
                found = store.buckets("nas-air", "value", Tier.MINUTES, T0, T0 + 10**6)
                assert [(each.utc_ms - T0, each.samples) for each in found] == [
                    (0, 30),
                    (60_000, 30),
                ]
                # 30 + n / 4 + k / 10 for n of 0 to 5 and k of 0 to 4, less the offset of 0.5.
                assert found[0][2:] == pytest.approx((30.325, 29.5, 31.15))
                tidied(store, T0 + 130_000)
            store.commit(batch(reading(), advanced_to=T0 + 140_000))

    def test_what_waits_in_it_is_mailed(self, revision: str, old: Path) -> None:
        migrate(database_url(old))
        with Store.open(database_url(old)) as store:
            ((posted, _),) = store.waiting()
        # There are incidents from then on; before there were only transitions.
        assert bool(posted.accounts) == (revision >= "v0005")
        mail = content_of(posted, make_config(site="Under the stairs"))
        assert mail.subject == "[High] NAS: above its derating threshold - Under the stairs"
        assert [card.now for card in mail.cards] == [transition().text]
        assert [each.id for each in mail.told] == [transition().id]

    def test_it_can_be_backed_up_before(self, old: Path, tmp_path: Path) -> None:
        back_up(old, tmp_path / "before.db", replace=False)
        assert (tmp_path / "before.db").read_bytes()[:16] == old.read_bytes()[:16]
        migrate(database_url(tmp_path / "before.db"))
