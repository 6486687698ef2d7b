"""Results appear all at once: written aside, then moved into their folder when complete."""

import errno
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from flatten.errors import CannotWrite

# Remembers what a run wrote, so that the next one can take away what it does not write again.
_LIST = ".flatten-files.json"
_ELSEWHERE = "name another place with --out"


@contextmanager
def whole_folder(target: str | Path) -> Iterator[Path]:
    """A temporary folder beside `target` to write into; its files move there when the block ends.

    Files of an earlier run are replaced, and those that this run did not write again are taken
    away unless they were changed since; all other files in `target` are kept. If the block raises,
    `target` stays as it was.

    Raises
    ------
    CannotWrite : a folder or file cannot be made or moved
    """
    target = Path(target).absolute()
    check_folder(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        # Files cannot be moved from one disk to another whole, and a disk may be mounted there.
        mounted = target.is_dir() and target.stat().st_dev != target.parent.stat().st_dev
        beside = target if mounted else target.parent
        # A name may be as long as the disk allows; the letters added to it need room as well.
        aside = Path(tempfile.mkdtemp(prefix=f".{target.name[:40]}-", dir=beside))
    except (OSError, ValueError) as error:
        raise _failure(error, target) from None
    try:
        yield aside
        _move(aside, target)
    except OSError as error:
        raise _failure(error, target, aside) from None
    except CannotWrite as error:
        if not isinstance(error.__cause__, OSError):
            raise
        raise _failure(error.__cause__, target, aside) from None
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def check_folder(target: str | Path) -> None:
    """Refuses, before any work is done, a folder for results that could not be written later.

    Raises
    ------
    CannotWrite : it or a folder above it is a file, a broken link or not open to this user
    """
    target = Path(target).absolute()
    try:
        for place in (target, *target.parents):
            if place.is_dir():
                if not os.access(place, os.W_OK | os.X_OK):
                    raise CannotWrite(f"{place}: this folder is read-only; {_ELSEWHERE}")
                return
            if os.path.lexists(place):
                kind = "a link that leads nowhere" if place.is_symlink() else "a file, not a folder"
                raise CannotWrite(f"{place}: this is {kind}; {_ELSEWHERE}")
    except (OSError, ValueError) as error:
        raise _failure(error, target) from None


def write_together(files: Mapping[Path, bytes]) -> None:
    """Writes files whole, and none unless all can be: beside their places first, then moved there.

    Raises
    ------
    CannotWrite : one of them cannot be written
    """
    asides: dict[Path, Path] = {}
    path = Path()
    try:
        for path, content in files.items():
            place = path.absolute()
            if place.is_dir():
                raise CannotWrite(f"{place}: this is a folder; {_ELSEWHERE}")
            place.parent.mkdir(parents=True, exist_ok=True)
            asides[place] = place.with_name(f".{place.name[:40]}.part")
            asides[place].write_bytes(content)
        for path, aside in asides.items():
            os.replace(aside, path)
    except (OSError, ValueError) as error:
        raise _failure(error, path.absolute()) from None
    finally:
        for aside in asides.values():
            with suppress(OSError):
                aside.unlink()


def _failure(error: OSError | ValueError, target: Path, aside: Path | None = None) -> CannotWrite:
    """The error with the place that the user named; the folder aside is gone when it is read."""
    name = str(getattr(error, "filename", None) or "")
    if aside is not None and name.startswith(str(aside)):
        target = target / os.path.relpath(name, aside)
    number = getattr(error, "errno", None)
    full = number in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    fix = f"make room there, or {_ELSEWHERE}" if full else _ELSEWHERE
    reason = getattr(error, "strerror", None) or error
    return CannotWrite(f"{target}: cannot be written ({reason}); {fix}")


def _move(aside: Path, target: Path) -> None:
    written = sorted(p.relative_to(aside).as_posix() for p in aside.rglob("*") if p.is_file())
    earlier = _earlier(target)
    # Whatever stands in the way is found before the first file is moved.
    for name in written:
        if (target / name).is_dir():
            raise CannotWrite(f"{target / name} is a folder; move it away")
    for name in written:
        goal = target / name
        goal.parent.mkdir(parents=True, exist_ok=True)
        os.replace(aside / name, goal)
    for name in sorted(set(earlier) - set(written)):
        old = target / name
        if old.is_file() and _state(old) == earlier[name]:
            old.unlink()
            if old.parent != target and not any(old.parent.iterdir()):
                old.parent.rmdir()
    states = {name: _state(target / name) for name in written}
    (target / _LIST).write_text(json.dumps(states, indent=1), encoding="utf-8")


def _state(path: Path) -> list[int]:
    stat = path.stat()
    return [stat.st_size, stat.st_mtime_ns]


def _earlier(target: Path) -> dict[str, list[int]]:
    """What an earlier run wrote here, by name; empty where nothing is known."""
    try:
        found = json.loads((target / _LIST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict):
        return {}
    root = target.resolve()
    return {
        name: state
        for name, state in found.items()
        if isinstance(state, list) and (target / name).resolve().is_relative_to(root)
    }
