"""The tables: made, brought up to date, refused in one line."""

import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing

import pytest

from evenhall.errors import StoreError
from evenhall.visits import database
from evenhall.visits.database import MIGRATIONS, open_database, reading, writing
from evenhall.visits.store import DATABASE_FILE, Store
from visits.made import CLOCK, TAKE


def pragma(connection, name):
    return connection.execute(f"PRAGMA {name}").fetchone()[0]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "data" / DATABASE_FILE


def test_new_file_is_of_the_newest_version_and_its_folder_is_made(path):
    with closing(open_database(path)) as connection:
        assert pragma(connection, "user_version") == len(MIGRATIONS)
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
    assert {"venue", "rig", "visit", "entry", "take"} <= names


def test_empty_file_becomes_a_store(path):
    path.parent.mkdir()
    path.touch()
    with closing(open_database(path)) as connection:
        assert pragma(connection, "user_version") == len(MIGRATIONS)


def version_1(path):
    """A store as the first version left it, written with its own words and no code of today."""
    path.parent.mkdir(parents=True)
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(MIGRATIONS[0])
        connection.executescript(f"""
            PRAGMA user_version = 1;
            INSERT INTO venue VALUES (1, 'Lower Mill Chapel', '{CLOCK}');
            INSERT INTO rig VALUES (1, 'Rig', '{CLOCK}');
            INSERT INTO visit (id, venue_id, rig_id, folder, demo, revision, made_at)
                VALUES (7, 1, 1, 'visits/a', 0, 5, '{CLOCK}');
            INSERT INTO entry VALUES (7, 'venue.name', '"Lower Mill Chapel"', 1);
            INSERT INTO entry VALUES (7, 'venue.length_m', '18.0', 5);
            INSERT INTO take VALUES (3, 7, '{TAKE.model_dump_json()}', '{CLOCK}', NULL);
        """)


def test_file_of_version_1_keeps_what_is_in_it(path):
    version_1(path)
    store = Store(path.parent)
    visit = store.visit(7)
    assert (visit.name, visit.value("venue.length_m"), visit.revision) == (
        "Lower Mill Chapel",
        18.0,
        5,
    )
    assert [(one.number, one.take.file) for one in visit.takes] == [(3, TAKE.file)]
    assert visit.folder == path.parent / "visits" / "a"
    store.close()


def test_later_migration_is_applied_once_to_a_file_of_version_1(path, monkeypatch):
    version_1(path)
    more = "ALTER TABLE venue ADD COLUMN town TEXT;\nUPDATE venue SET town = 'Osk';\n"
    monkeypatch.setattr(database, "MIGRATIONS", (MIGRATIONS[0], more))
    for _ in range(2):
        with closing(open_database(path)) as connection:
            assert pragma(connection, "user_version") == 2
            (row,) = connection.execute("SELECT name, town FROM venue").fetchall()
            assert tuple(row) == ("Lower Mill Chapel", "Osk")


def test_migration_that_fails_leaves_the_file_as_it_was(path, monkeypatch):
    version_1(path)
    broken = "ALTER TABLE venue ADD COLUMN town TEXT;\nINSERT INTO nowhere VALUES (1);\n"
    monkeypatch.setattr(database, "MIGRATIONS", (MIGRATIONS[0], broken))
    with pytest.raises(StoreError, match="no such table: nowhere"):
        open_database(path)
    with closing(sqlite3.connect(path)) as connection:
        assert pragma(connection, "user_version") == 1
        assert len(connection.execute("SELECT * FROM venue").fetchone()) == 3


def one_line(error, path):
    text = str(error.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    return text


def test_file_of_a_later_version_is_refused_and_kept(path):
    open_database(path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="written by a later version of Evenhall") as error:
        open_database(path)
    one_line(error, path)
    assert path.read_bytes() == before


def test_file_that_is_no_database_is_refused_and_kept(path):
    path.parent.mkdir()
    path.write_bytes(b"holiday photographs " * 500)
    with pytest.raises(StoreError, match="file is not a database") as error:
        open_database(path)
    assert "move the file away" in one_line(error, path)
    assert path.read_bytes() == b"holiday photographs " * 500


def test_file_that_is_damaged_inside_is_told_when_it_is_met(path):
    store = Store(path.parent)
    for _ in range(50):
        store.new_visit("Lower Mill Chapel", {"note.a": "x" * 500})
    store.close()
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + b"\xff" * (len(whole) - 4096))

    def use():
        store = Store(path.parent)
        try:
            store.visits()
        finally:
            store.close()

    with pytest.raises(StoreError, match="malformed") as error:
        use()
    one_line(error, path)


@pytest.mark.parametrize("place", ["/proc/evenhall", "file/data"])
def test_folder_that_cannot_be_made_is_one_line(tmp_path, place):
    (tmp_path / "file").touch()
    folder = tmp_path / place
    with pytest.raises(StoreError, match="visits cannot be kept there") as error:
        Store(folder)
    one_line(error, folder)


def test_database_that_cannot_be_written_is_one_line(tmp_path):
    (tmp_path / DATABASE_FILE).mkdir()  # chmod would not keep root out
    with pytest.raises(StoreError, match="unable to open database file") as error:
        Store(tmp_path)
    one_line(error, tmp_path / DATABASE_FILE)


def test_every_table_is_strict_and_the_log_is_written_ahead(path):
    with closing(open_database(path)) as connection:
        tables = connection.execute(
            "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table'"
        ).fetchall()
        strict = {row["name"]: row["strict"] for row in tables}
        assert {name for name in strict if not name.startswith("sqlite_")} == {
            "venue",
            "rig",
            "visit",
            "entry",
            "take",
        }
        assert all(on for name, on in strict.items() if not name.startswith("sqlite_"))
        assert pragma(connection, "journal_mode") == "wal"
        assert pragma(connection, "synchronous") == 2  # FULL, sqlite.org/pragma.html
        assert pragma(connection, "foreign_keys") == 1
        with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT value in INTEGER"):
            connection.execute(
                "INSERT INTO visit (id, venue_id, rig_id, folder, demo, revision, made_at)"
                " VALUES (1, 1, 1, 'a', 0, 'first', '')"
            )
        with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
            connection.execute("INSERT INTO take VALUES (1, 99, '{}', '', NULL)")


def test_transaction_is_whole_or_not_at_all(path):
    with closing(open_database(path)) as connection:

        def breaks_off():
            with writing(connection):
                connection.execute("INSERT INTO venue VALUES (1, 'a', 'b')")
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            breaks_off()
        assert not connection.in_transaction
        assert connection.execute("SELECT count(*) FROM venue").fetchone()[0] == 0


def test_full_disk_is_one_line_and_the_store_goes_on_when_there_is_room(path):
    store = Store(path.parent)
    number = store.new_visit("Lower Mill Chapel", {})
    base = store._connection
    pages = pragma(base, "page_count")
    base.execute(f"PRAGMA max_page_count = {pages}")

    def fill():
        for k in range(1000):
            store.set_entry(number, f"note.{k}", "x" * 4000, was=0)

    with pytest.raises(StoreError, match="full") as error:
        fill()
    assert "Make room on the disk" in one_line(error, path)
    kept = store.visit(number)
    base.execute("PRAGMA max_page_count = 100000")
    store.set_entry(number, "note.last", "there is room", was=0)
    assert store.visit(number).value("note.last") == "there is room"
    assert store.visit(number).revision == kept.revision + 1
    store.close()


def test_commit_that_fails_leaves_no_transaction_open(path):
    # A deferred foreign key is found out by COMMIT itself.
    with closing(open_database(path)) as connection:

        def dangling():
            with writing(connection):
                connection.execute("PRAGMA defer_foreign_keys = ON")
                connection.execute("INSERT INTO take VALUES (1, 99, '{}', '', NULL)")

        with pytest.raises(sqlite3.IntegrityError):
            dangling()
        with writing(connection):
            connection.execute("INSERT INTO venue VALUES (1, 'a', 'b')")
        assert connection.execute("SELECT count(*) FROM take").fetchone()[0] == 0


def test_what_is_read_together_is_of_one_moment(path):
    with closing(open_database(path)) as one, closing(open_database(path)) as other:
        with reading(one):
            before = one.execute("SELECT count(*) FROM venue").fetchone()[0]
            with writing(other):
                other.execute("INSERT INTO venue VALUES (1, 'a', 'b')")
            assert one.execute("SELECT count(*) FROM venue").fetchone()[0] == before == 0
        assert one.execute("SELECT count(*) FROM venue").fetchone()[0] == 1


def test_many_threads_open_a_new_file_at_once(tmp_path):
    for attempt in range(20):
        path = tmp_path / str(attempt) / DATABASE_FILE
        with ThreadPoolExecutor(4) as pool:
            for connection in pool.map(open_database, [path] * 4):
                assert pragma(connection, "user_version") == len(MIGRATIONS)
                connection.close()


def test_process_that_makes_the_file_meanwhile_is_waited_for(path, monkeypatch):
    # Two in nine hundred were told "database is locked": SQLite does not wait in this change.
    path.parent.mkdir()
    with closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as other:
        other.execute("CREATE TABLE early (a)")
        other.execute("BEGIN IMMEDIATE")
        refused = []

        def sleep(seconds):
            refused.append(seconds)
            if len(refused) == 3:
                other.execute("COMMIT")

        monkeypatch.setattr(database.time, "sleep", sleep)
        with closing(open_database(path)) as connection:
            assert pragma(connection, "journal_mode") == "wal"
        assert len(refused) == 3


def test_process_that_never_ends_its_work_is_told_of(path, monkeypatch):
    open_database(path).close()
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        store = Store(path.parent)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="database is locked") as error:
            store.new_visit("Lower Mill Chapel", {})
        assert "close other programs that use it" in one_line(error, path)
        other.execute("ROLLBACK")
        store.new_visit("Lower Mill Chapel", {})
        store.close()


def test_two_processes_open_a_new_file_at_once(path):
    words = (
        "import sys; from pathlib import Path; from evenhall.visits.store import Store;"
        "print(Store(Path(sys.argv[1])).new_visit('Hall', {}))"
    )
    command = [sys.executable, "-c", words, str(path.parent)]
    children = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(3)]
    numbers = sorted(int(child.communicate()[0]) for child in children)
    assert [child.returncode for child in children] == [0, 0, 0]
    assert numbers == [1, 2, 3]
