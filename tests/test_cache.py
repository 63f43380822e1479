"""Contract tests of the cache: an entry is whole and the right one, or it is not there.

Killed writers, two writers of one key, damage, full disks, missing rights and hostile keys.
"""

from __future__ import annotations

import errno
import hashlib
import os
import signal
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from wxgate.cache import Cache, Entry, Key, Removed, file_name
from wxgate.errors import CacheError
from wxgate.http import Validators, WrongContent, check_grib

pytestmark = pytest.mark.contract

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
KEY = Key("gfs", "2026112506", 7, "TMP:2 m above ground")
TAGS = Validators('"abc-1"', "Wed, 25 Nov 2026 09:41:07 GMT")
URL = "https://mirror.example/gfs.20261125/06/f007?x=ä"


@pytest.fixture
def cache(tmp_path: Path) -> Cache:
    return Cache(tmp_path / "deep" / "cache")


def put(cache: Cache, key: Key = KEY, content: bytes = b"content", at: datetime = NOON) -> Entry:
    return cache.put(key, content, validators=TAGS, url=URL, fetched=at)


def only_file(cache: Cache) -> Path:
    (path,) = [p for p in cache.root.rglob("*") if p.is_file()]
    return path


# ------------------------------------------------------------------------------ what goes well


@pytest.mark.parametrize("content", [b"", b"\n", b"GRIB\0\xff\n\n7777", bytes(300_000)])
def test_what_is_put_is_got(cache: Cache, content: bytes) -> None:
    assert cache.get(KEY) is None
    entry = put(cache, content=content)
    assert cache.get(KEY) == entry
    assert entry.content == content
    assert entry.sha256 == hashlib.sha256(content).hexdigest()
    assert (entry.size, entry.url, entry.fetched, entry.validators) == (
        len(content),
        URL,
        NOON,
        TAGS,
    )


def test_missing_validators_stay_missing(cache: Cache) -> None:
    cache.put(KEY, b"x", validators=Validators(), url="", fetched=NOON)
    entry = cache.get(KEY)
    assert entry is not None
    assert entry.validators == Validators(None, None)


def test_a_second_put_replaces_the_first(cache: Cache) -> None:
    put(cache, content=b"old")
    put(cache, content=b"new", at=NOON + timedelta(hours=1))
    entry = cache.get(KEY)
    assert entry is not None
    assert (entry.content, entry.fetched) == (b"new", NOON + timedelta(hours=1))
    assert len(list(cache.entries())) == 1


def test_a_step_is_the_same_as_number_and_as_text(cache: Cache) -> None:
    put(cache, Key("gfs", "2026112506", 7, "m"))
    assert cache.get(Key("gfs", "2026112506", "7", "m")) is not None


def test_files_are_private_and_can_be_read_by_name(cache: Cache) -> None:
    before = os.umask(0)
    try:
        put(cache)
    finally:
        os.umask(before)
    path = only_file(cache)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    folder = path.parent
    while folder != cache.root.parent:
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700, folder
        folder = folder.parent
    place = path.relative_to(cache.root)
    assert place.parts[:4] == ("v1", "gfs", "2026112506", "7")
    assert place.name.startswith("TMP-2-m-above-ground~")


def test_a_time_without_zone_is_a_fault_of_the_program(cache: Cache) -> None:
    with pytest.raises(ValueError, match="zone"):
        put(cache, at=datetime(2026, 11, 25, 12))  # noqa: DTZ001
    assert not cache.root.exists()


def test_content_that_fails_its_check_is_not_kept(cache: Cache) -> None:
    good = b"GRIB\0\0\0\x02" + (20).to_bytes(8, "big") + b"7777"

    def check(content: bytes) -> None:
        check_grib(content, URL)

    cache.put(KEY, good, validators=TAGS, url=URL, fetched=NOON, check=check)
    for bad in (good[:-1], b"<!DOCTYPE html>"):
        with pytest.raises(WrongContent):
            cache.put(KEY, bad, validators=TAGS, url=URL, fetched=NOON, check=check)
    entry = cache.get(KEY)
    assert entry is not None
    assert entry.content == good
    assert only_file(cache)


# ----------------------------------------------------------------------------- damage on the disk


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.floats(0, 1, exclude_max=True), change=st.integers(1, 255))
@example(at=0.0, change=1)
@example(at=0.999999, change=1)
def test_a_changed_byte_anywhere_is_noticed(cache: Cache, at: float, change: int) -> None:
    put(cache)
    path = only_file(cache)
    whole = bytearray(path.read_bytes())
    whole[int(at * len(whole))] ^= change
    path.write_bytes(whole)
    assert cache.get(KEY) is None
    assert not path.exists()


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(keep=st.floats(0, 1, exclude_max=True), more=st.binary(max_size=40))
def test_a_file_cut_short_or_grown_is_noticed(cache: Cache, keep: float, more: bytes) -> None:
    put(cache)
    path = only_file(cache)
    whole = path.read_bytes()
    changed = whole[: int(keep * len(whole))] + more
    path.write_bytes(changed)
    assert cache.get(KEY) is None
    put(cache)
    path.write_bytes(whole + b"\0" + more)
    assert list(cache.entries()) == []
    assert cache.get(KEY) is None


def test_a_head_that_agrees_with_itself_but_says_nothing_is_damage(cache: Cache) -> None:
    put(cache)
    path = only_file(cache)
    for about in (b"[]", b"{}", b'{"key": 3}', b"not json", b""):
        digest = hashlib.sha256(about).hexdigest().encode()
        path.write_bytes(b"wxgate-cache 1 " + digest + b"\n" + about + b"\ncontent")
        assert list(cache.entries()) == []
        assert cache.get(KEY) is None


def test_another_key_in_this_ones_place_is_not_taken_for_it(cache: Cache) -> None:
    # A file system that is blind to case gives two keys one place.
    put(cache, Key("gfs", "r", 1, "TMP"))
    path = only_file(cache)
    path.rename(path.with_name("tmp"))
    assert cache.get(Key("gfs", "r", 1, "tmp")) is None
    assert path.with_name("tmp").exists()


# -------------------------------------------------------------------------------- other processes

WRITER = """
import os, sys, time
from datetime import UTC, datetime
from pathlib import Path
from wxgate.cache import Cache, Key
from wxgate.http import Validators

def put(content):
    Cache(Path(sys.argv[1])).put(
        Key("gfs", "2026112506", 7, "TMP:2 m above ground"), content,
        validators=Validators(), url="", fetched=datetime(2026, 11, 25, 12, tzinfo=UTC))

def stop(*_):
    print("here", flush=True)
    time.sleep(60)
"""
STOPS = {
    "while writing": "real = os.fdopen\n"
    "class Half:\n"
    "    def __init__(self, f): self.f = f\n"
    "    def __enter__(self): return self\n"
    "    def __exit__(self, *_): self.f.close()\n"
    "    def write(self, b): self.f.write(b[: len(b) // 2]); self.f.flush(); stop()\n"
    "os.fdopen = lambda *a: Half(real(*a))\n",
    "before it is on the disk": "os.fsync = stop\n",
    "before it is in place": "Path.replace = stop\n",
}


@pytest.mark.parametrize("stop", STOPS)
@pytest.mark.parametrize("before", [None, b"earlier"])
def test_a_writer_killed_half_way_does_no_harm(
    cache: Cache, stop: str, before: bytes | None
) -> None:
    if before is not None:
        put(cache, content=before)
    code = WRITER + STOPS[stop] + "put(bytes(100_000))\n"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(cache.root)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"here\n"
        writer.send_signal(signal.SIGKILL)
        assert writer.wait(5) == -signal.SIGKILL
    entry = cache.get(KEY)
    assert (entry and entry.content) == before
    assert len(list(cache.entries())) == (before is not None)
    left = [p for p in cache.root.rglob("*") if p.is_file() and p.name.startswith(".")]
    assert len(left) == 1
    # A fresh temporary file may have a living writer; an old one has none.
    now = datetime.fromtimestamp(left[0].stat().st_mtime, UTC)
    assert cache.prune(None, None, now + timedelta(minutes=59)) == Removed()
    assert cache.prune(None, None, now + timedelta(minutes=61)).count == 1
    assert not left[0].exists()
    assert (cache.get(KEY) is None) == (before is None)


def test_two_writers_of_one_key_and_a_pruner_do_no_harm(cache: Cache) -> None:
    contents = [bytes([i]) * (50_000 + i) for i in (1, 2)]
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER + f"for _ in range(60): put({c[:1]!r} * {len(c)})\n",
             str(cache.root)],
        )
        for c in contents
    ]  # fmt: skip
    seen = set()
    try:
        while any(writer.poll() is None for writer in writers):
            entry = cache.get(KEY)
            if entry is not None:
                assert entry.content in contents
                seen.add(entry.content[0])
                if len(seen) == 2:
                    cache.prune(None, 0, datetime.now(UTC))  # the files' times are real ones
    finally:
        for writer in writers:
            writer.wait(20)
    assert [writer.returncode for writer in writers] == [0, 0]
    assert seen
    last = cache.get(KEY)
    assert last is None or last.content in contents
    assert list(cache.root.rglob(".part-*")) == []


def test_many_threads_may_share_a_cache(cache: Cache) -> None:
    failed: list[BaseException] = []

    def work(i: int) -> None:
        try:
            for step in range(20):
                content = f"{step}".encode()
                put(cache, Key("s", "r", step, "m"), content)
                entry = cache.get(Key("s", "r", step, "m"))
                assert entry is None or entry.content == content
                if i == 0:
                    cache.prune(None, 0, datetime.now(UTC))
        except BaseException as error:  # noqa: BLE001
            failed.append(error)

    threads = [threading.Thread(target=work, args=(i,)) for i in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert failed == []


# --------------------------------------------------------------------------- rights and full disks


@contextmanager
def without_rights(folder: Path, mode: int) -> Iterator[None]:
    """The folder with this mode, seen by a user whom modes bind (root is not bound)."""
    root = os.geteuid() == 0
    folder.chmod(mode)
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o700)


def test_missing_rights_are_a_clean_error(cache: Cache) -> None:
    put(cache)
    with without_rights(cache.root, 0o000):
        for use in (
            lambda: cache.get(KEY),
            lambda: put(cache),
            lambda: list(cache.entries()),
            cache.summary,
            lambda: cache.prune(timedelta(0), None, NOON),
            cache.clear,
        ):
            with pytest.raises(CacheError) as caught:
                use()
            assert "right" in caught.value.remedy
            assert caught.value.exit_code == 5
            assert str(cache.root) in caught.value.where
    assert cache.get(KEY) is not None


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT])
def test_a_full_disk_keeps_the_earlier_entry(
    cache: Cache, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    put(cache, content=b"earlier")

    def full(_: int) -> None:
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as m:
        m.setattr(os, "fsync", full)
        with pytest.raises(CacheError, match="space"):
            put(cache, content=b"later")
    entry = cache.get(KEY)
    assert entry is not None
    assert entry.content == b"earlier"
    assert only_file(cache)  # no temporary file is left on the full disk


def test_a_write_that_the_system_cuts_off_leaves_nothing(cache: Cache) -> None:
    # The kernel's own limit on the size of a file stands in for a disk that fills up.
    code = WRITER + (
        "import resource\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))\n"
        "from wxgate.errors import CacheError\n"
        "try:\n    put(bytes(100_000))\n"
        "except CacheError as error:\n    print(error)\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, str(cache.root)], capture_output=True, text=True, check=True
    )
    assert "Free some space" in told.stdout
    assert [p for p in cache.root.rglob("*") if p.is_file()] == []


def test_a_file_in_the_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("not a folder")
    cache = Cache(tmp_path / "cache")
    assert cache.get(KEY) is None
    assert list(cache.entries()) == []
    with pytest.raises(CacheError, match="another cache folder"):
        put(cache)


def test_an_empty_cache_answers_everything(cache: Cache) -> None:
    assert cache.summary() == ()
    assert cache.prune(timedelta(0), 0, NOON) == Removed()
    assert cache.clear() == Removed()
    assert not cache.root.exists()


# ------------------------------------------------------------------------------------------- keys

TEXT = st.one_of(
    st.text(max_size=300),
    st.text(alphabet="./\\~:. \0Aa%", max_size=12),
    st.sampled_from(
        ["..", ".", "", "/etc/x", "../../x", "C:\\x", "\\\\host\\x", "a/../b", ".part-x", "NUL",
         "con.txt", "x.", "a" * 5000, "~", "\ud800", "a\0b", "-rf", "TMP~" + "0" * 20]
    ),
)  # fmt: skip


@settings(deadline=None)
@given(st.tuples(TEXT, TEXT, TEXT, TEXT))
def test_no_key_leads_out_of_the_cache(parts: tuple[str, str, str, str]) -> None:
    path = Key(*parts).path
    assert len(path.parts) == 4
    for kind in (PurePosixPath, PureWindowsPath):
        assert not kind(path).is_absolute()
        assert len(kind(path).parts) == 4
    for name in path.parts:
        assert 1 <= len(name) <= 64
        assert name.isascii()
        assert name.isprintable()
        assert not set(name) & set('/\\:*?"<>| ')
        assert name not in (".", "..")
        assert name[0] not in ".-~"
        assert not name.endswith(".")
        assert name.split(".")[0].upper() not in ("CON", "NUL", "AUX", "PRN", "COM1", "LPT1")


@settings(deadline=None)
@given(TEXT, TEXT)
@example("TMP 2m", "TMP-2m")
@example("a/b", "a\\b")
@example("x", "x.")
def test_different_parts_have_different_names(one: str, other: str) -> None:
    assert (file_name(one) == file_name(other)) == (one == other)
    assert file_name(file_name(one)) != file_name(one) or one == file_name(one)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.tuples(TEXT, TEXT, TEXT, TEXT), st.binary(max_size=50))
def test_hostile_keys_work_like_others(
    tmp_path: Path, parts: tuple[str, str, str, str], content: bytes
) -> None:
    cache = Cache(tmp_path / "inside" / "cache")
    key = Key(*parts)
    put(cache, key, content)
    entry = cache.get(key)
    assert entry is not None
    assert (entry.key, entry.content) == (key, content)
    assert {p.name for p in tmp_path.iterdir()} == {"inside"}
    assert {p.name for p in cache.root.iterdir()} == {"v1"}
    assert cache.clear(parts[0]).count == 1


# -------------------------------------------------------------------------- summary and clearing


@pytest.fixture
def filled(cache: Cache) -> Cache:
    """Eight entries: gfs steps 0-5 fetched at NOON + step hours, kp fetched at two times."""
    for step in range(6):
        at = NOON + timedelta(hours=step)
        put(cache, Key("gfs", "2026112506", step, "TMP"), bytes(1000), at)
    for hours in (1, 9):
        put(cache, Key("kp", str(hours), 0, "k"), b"12345", NOON + timedelta(hours=hours))
    return cache


def steps(cache: Cache) -> list[str]:
    return sorted(str(e.key.step) for e in cache.entries() if e.key.source == "gfs")


def test_the_summary_tells_what_is_held(filled: Cache) -> None:
    gfs, kp = filled.summary()
    assert (gfs.source, gfs.count, gfs.bytes) == ("gfs", 6, 6000)
    assert (gfs.oldest, gfs.newest) == (NOON, NOON + timedelta(hours=5))
    assert (kp.source, kp.count, kp.bytes) == ("kp", 2, 10)
    assert (kp.oldest, kp.newest) == (NOON + timedelta(hours=1), NOON + timedelta(hours=9))


def test_old_entries_go_and_those_of_just_that_age_stay(filled: Cache) -> None:
    removed = filled.prune(timedelta(hours=2), None, NOON + timedelta(hours=5))
    assert removed.count == 4  # gfs of 0, 1 and 2 h, kp of 1 h
    assert steps(filled) == ["3", "4", "5"]
    assert removed.bytes > 3 * 1000


def test_ages_do_not_depend_on_the_zone(filled: Cache) -> None:
    elsewhere = (NOON + timedelta(hours=5)).astimezone(timezone(timedelta(hours=-9)))
    filled.prune(timedelta(hours=2), None, elsewhere)
    assert steps(filled) == ["3", "4", "5"]


def test_the_oldest_go_until_the_rest_fits(filled: Cache) -> None:
    size = sum(p.stat().st_size for p in filled.root.rglob("*") if p.is_file())
    assert filled.prune(None, size, NOON).count == 0
    assert filled.prune(None, size - 1, NOON).count == 1
    assert steps(filled) == ["1", "2", "3", "4", "5"]
    filled.prune(None, 3000, NOON)
    taken = sum(p.stat().st_size for p in filled.root.rglob("*") if p.is_file())
    assert taken <= 3000
    assert filled.prune(None, 0, NOON).count > 0
    assert list(filled.root.rglob("*")) == []


def test_clearing_one_source_leaves_the_others(filled: Cache) -> None:
    assert filled.clear("gfs").count == 6
    assert [one.source for one in filled.summary()] == ["kp"]
    assert filled.clear("../cache").count == 0
    assert filled.clear().count == 2
    assert filled.summary() == ()


def test_other_formats_are_never_read(cache: Cache) -> None:
    put(cache)
    place = only_file(cache).relative_to(cache.root / "v1")
    whole = only_file(cache).read_bytes()
    for version in ("v0", "v2"):
        (cache.root / version / place).parent.mkdir(parents=True)
        (cache.root / version / place).write_bytes(whole)
    (cache.root / "v1" / place).write_bytes(whole.replace(b"cache 1", b"cache 2", 1))
    (cache.root / "notes").write_text("mine")
    assert list(cache.entries()) == []
    assert cache.get(KEY) is None
    cache.prune(None, None, NOON)
    # The older format is gone; a newer one belongs to a newer program, and the rest to the user.
    assert {p.name for p in cache.root.iterdir()} == {"v2", "notes"}


def test_damaged_entries_are_pruned(filled: Cache) -> None:
    damaged = filled.root / "v1" / Key("kp", "1", 0, "k").path
    damaged.write_bytes(damaged.read_bytes()[:-1])
    assert filled.prune(None, None, NOON).count == 1
    assert len(list(filled.entries())) == 7


def test_links_are_not_followed(filled: Cache, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "precious").write_text("keep")
    (filled.root / "v1" / "gfs" / "link").symlink_to(mine)
    filled.prune(timedelta(0), 0, NOON + timedelta(days=9))
    filled.clear()
    assert (mine / "precious").read_text() == "keep"
