"""Results appear whole or not at all."""

import errno
import os
import re
from pathlib import Path

import pytest

from flatten.errors import CannotWrite
from flatten.io.atomic import check_folder, whole_folder, write_together


def listing(folder):
    return sorted(
        p.relative_to(folder).as_posix()
        for p in folder.rglob("*")
        if p.is_file() and not p.name.startswith(".")
    )


def fill(target, **files):
    with whole_folder(target) as folder:
        for name, text in files.items():
            path = folder / name.replace("__", "/").replace("_", ".")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text)


def test_a_run_replaces_its_own_files_and_keeps_others(tmp_path):
    target = tmp_path / "deep" / "out"
    fill(target, base_dxf="1", panels__base__a_obj="1", panels__base__b_obj="1")
    (target / "notes.txt").write_text("mine")
    (target / "panels" / "base" / "mine.obj").write_text("mine")
    fill(target, base_dxf="2", panels__base__a_obj="2")
    assert listing(target) == ["base.dxf", "notes.txt", "panels/base/a.obj", "panels/base/mine.obj"]
    assert (target / "base.dxf").read_text() == "2"
    assert os.listdir(target.parent) == ["out"]


def test_an_old_file_that_was_changed_since_is_kept(tmp_path):
    fill(tmp_path / "out", a_txt="1", b_txt="1")
    (tmp_path / "out" / "b.txt").write_text("edited by hand")
    fill(tmp_path / "out", a_txt="2")
    assert listing(tmp_path / "out") == ["a.txt", "b.txt"]


def test_a_folder_left_empty_goes_too(tmp_path):
    fill(tmp_path / "out", panels__old__a_obj="1")
    fill(tmp_path / "out", panels__new__a_obj="1")
    assert not (tmp_path / "out" / "panels" / "old").exists()


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt])
def test_nothing_is_left_or_changed_when_the_run_fails(tmp_path, error):
    target = tmp_path / "out"
    fill(target, a_txt="1")

    def broken():
        with whole_folder(target) as folder:
            (folder / "a.txt").write_text("2")
            (folder / "b.txt").write_text("2")
            raise error

    with pytest.raises(error):
        broken()
    assert listing(target) == ["a.txt"]
    assert (target / "a.txt").read_text() == "1"
    assert os.listdir(tmp_path) == ["out"]


def test_a_file_in_the_way_is_named(tmp_path):
    (tmp_path / "out").write_text("I am a file")
    with pytest.raises(CannotWrite, match="out: this is a file"):
        fill(tmp_path / "out", a_txt="1")
    with pytest.raises(CannotWrite, match="out"):
        fill(tmp_path / "out" / "below", a_txt="1")


def test_a_folder_in_a_files_place_is_named_and_nothing_is_moved(tmp_path):
    (tmp_path / "out" / "b.txt").mkdir(parents=True)
    with pytest.raises(CannotWrite, match=r"b\.txt is a folder"):
        fill(tmp_path / "out", a_txt="1", b_txt="1")
    assert listing(tmp_path / "out") == []


def test_what_goes_wrong_while_writing_is_named(tmp_path):
    def broken():
        with whole_folder(tmp_path / "out") as folder:
            (folder / "none" / "a.txt").write_text("1")

    with pytest.raises(CannotWrite, match="none"):
        broken()
    assert os.listdir(tmp_path) == []


def test_files_that_belong_together(tmp_path):
    folder = tmp_path / "new"
    write_together({folder / "job.toml": b"a = 1\n", folder / "a.png": b"1"})
    write_together({folder / "job.toml": b"a = 2\n"})
    assert (folder / "job.toml").read_bytes() == b"a = 2\n"
    (folder / "dir").mkdir()
    for wrong in (folder / "job.toml" / "x", folder / "dir", folder / ("n" * 300)):
        with pytest.raises(CannotWrite, match=re.escape(str(wrong))):
            write_together({folder / "a.png": b"2", wrong: b"2"})
        assert (folder / "a.png").read_bytes() == b"1"
        assert sorted(os.listdir(folder)) == ["a.png", "dir", "job.toml"]


def test_a_place_that_cannot_be_written_is_told_before_the_work(tmp_path):
    (tmp_path / "file").write_text("1")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    for wrong in ("file", "file/below/it", "loop", "loop/below"):
        with pytest.raises(CannotWrite, match="--out"):
            check_folder(tmp_path / wrong)
    check_folder(tmp_path / "not" / "there" / "yet")
    assert sorted(os.listdir(tmp_path)) == ["file", "loop"]


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
def test_a_full_disk_is_told_by_the_place_that_the_user_named(tmp_path, code):
    def broken():
        with whole_folder(tmp_path / "out"):
            raise OSError(code, os.strerror(code))  # as a write to an open file fails, unnamed

    with pytest.raises(CannotWrite) as stop:
        broken()
    assert str(tmp_path / "out") in str(stop.value)
    assert ("make room" in str(stop.value)) == (code == errno.ENOSPC)
    assert os.listdir(tmp_path) == []


def test_a_disk_mounted_at_the_target_is_written_from_within(tmp_path, monkeypatch):
    target = tmp_path / "out"
    fill(target, a_txt="1")
    plain = Path.stat

    def elsewhere(path, **kwargs):
        found = plain(path, **kwargs)
        if path != target:
            return found
        return os.stat_result([*found[:2], found.st_dev + 1, *found[3:]])

    monkeypatch.setattr(Path, "stat", elsewhere)
    with whole_folder(target) as folder:
        assert folder.parent == target
        (folder / "a.txt").write_text("2")
    assert listing(target) == ["a.txt"]
    assert (target / "a.txt").read_text() == "2"
    assert not [p for p in target.iterdir() if p.is_dir()]
