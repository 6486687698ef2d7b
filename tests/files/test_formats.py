"""Which reader takes a file, and how a file that nothing can read is refused."""

import zipfile

import numpy as np
import pytest

from flatten.errors import BadInput
from flatten.io.formats import READERS, read_scan


@pytest.mark.parametrize("suffix", sorted(READERS))
def test_an_empty_file_is_refused_by_every_name(tmp_path, suffix):
    path = tmp_path / f"a{suffix}"
    path.write_bytes(b"")
    with pytest.raises(BadInput, match=r"empty \(0 bytes\)"):
        read_scan(path)


@pytest.mark.parametrize("suffix", sorted(READERS))
@pytest.mark.parametrize("content", [b"\0" * 200, b"hello\n" * 50, b"\xff\xfe" * 99])
def test_rubbish_is_refused_by_every_name(tmp_path, suffix, content):
    path = tmp_path / f"a{suffix}"
    path.write_bytes(content)
    with pytest.raises(BadInput):
        read_scan(path)


def test_the_content_decides_and_a_wrong_name_is_noted(tube, write_ply):
    path = write_ply(*tube, name="scan.stl")
    scan = read_scan(path)
    assert (tube[1] == scan.F).all()
    assert scan.notes == ("scan.stl is a PLY file in truth and was read as one",)


def test_an_upper_case_or_missing_extension_is_no_hindrance(tube, write_ply, write_obj):
    assert read_scan(write_ply(*tube, name="SCAN.PLY")).notes == ()
    assert len(read_scan(write_obj(*tube, name="scan")).F) == len(tube[1])


def test_a_zip_archive_under_another_name_is_refused(tmp_path):
    path = tmp_path / "a.glb"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.txt", "hello")
    with pytest.raises(BadInput, match="zip archive, not a scan; unpack it"):
        read_scan(path)


@pytest.mark.parametrize(
    ("name", "said"),
    [("none.ply", "no such file"), ("", "this is a folder"), ("a.usdz", "not a format that is read"),
     ("x" * 400 + ".ply", "cannot be read"), ("a\0.ply", "cannot be read")],
)  # fmt: skip
def test_what_is_no_scan_is_refused_in_one_line(tmp_path, name, said):
    (tmp_path / "a.usdz").write_bytes(b"\1\2\3")
    with pytest.raises(BadInput, match=said) as caught:
        read_scan(tmp_path / name if name else tmp_path)
    assert "\n" not in str(caught.value)


def test_the_users_unit_is_kept_and_checked(tube, write_ply):
    path = write_ply(*tube)
    assert read_scan(path, unit="in").unit == "in"
    with pytest.raises(BadInput, match="unknown unit 'ft'"):
        read_scan(path, unit="ft")


def test_a_file_over_the_limit_is_not_loaded(tube, write_ply, monkeypatch):
    path = write_ply(*tube)
    monkeypatch.setattr("flatten.io.formats.read_bytes.__kwdefaults__", {"most": 1000})
    with pytest.raises(BadInput, match="more than 0 MB can be read"):
        read_scan(path)


def test_arrays_of_a_scan_cannot_be_changed(tube, write_ply):
    scan = read_scan(write_ply(*tube))
    with pytest.raises(ValueError, match="read-only"):
        scan.V[0, 0] = 1.0
    assert np.isfinite(scan.V).all()


def test_a_signalling_nan_is_refused_without_a_warning(tmp_path, recwarn):
    """IEEE 754: single 0x7fa00000 is a NaN that signals when it is widened."""
    record = np.zeros(1, dtype=[("n", "<f4", 3), ("v", "<u4", (3, 3)), ("a", "<u2")])
    record["v"][0, 1, 1] = 0x7FA00000
    path = tmp_path / "a.stl"
    path.write_bytes(b"\0" * 80 + (1).to_bytes(4, "little") + record.tobytes())
    with pytest.raises(BadInput, match="triangle 1: a coordinate is not a finite number"):
        read_scan(path)
    assert len(recwarn) == 0
