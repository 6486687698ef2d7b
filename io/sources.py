"""Opens what a user points at: one file, and files that lie beside it, never others."""

from pathlib import Path
from urllib.parse import unquote

from flatten.errors import BadInput

MAX_BYTES = 2 * 1024**3
# A scan of this many faces takes some gigabytes further on; more than that is a mistake.
MAX_FACES = 20_000_000


def read_bytes(path: Path, *, most: int = MAX_BYTES) -> bytes:
    """The whole file.

    Raises
    ------
    BadInput : it does not exist, is a folder, is empty, is over `most` bytes, cannot be read
    """
    try:
        if path.is_dir():
            raise BadInput("this is a folder, not a file", str(path), "name a file in it")
        size = path.stat().st_size
        if size > most:
            raise BadInput(
                f"the file is {size / 1e6:.0f} MB, more than {most / 1e6:.0f} MB can be read",
                str(path),
                "export the scan with fewer faces",
            )
        if not path.is_file():
            raise BadInput("this is not a plain file", str(path), "name a file")
        data = path.read_bytes()
    except FileNotFoundError:
        raise BadInput("no such file", str(path), "check the name and the folder") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(f"the file cannot be read ({reason})", str(path)) from None
    if not data:
        raise BadInput("the file is empty (0 bytes)", str(path), "export or copy it again")
    return data


def named_file(text: str, folder: Path) -> Path | None:
    """The file that a user names, absolute or from `folder`; None where there is none."""
    try:
        found = (folder / Path(text).expanduser()).absolute()
        return found if found.is_file() else None
    except (OSError, ValueError, RuntimeError):
        return None


def beside(path: Path, reference: str) -> Path | None:
    """The file that `reference` names inside the folder of `path`, or None.

    A reference that leads out of that folder (absolute, a drive, `..`, a link) is not followed;
    a file of the same bare name in the folder is taken instead, since programs like to write the
    full paths of the machine they ran on. Capitals and small letters count as the same where
    nothing fits exactly, since some file systems hold them so.
    """
    plain = unquote(reference).replace("\\", "/").strip()
    parts = [p for p in plain.split("/") if p not in ("", ".")]
    if not parts or "\0" in plain:
        return None
    try:
        folder = path.resolve().parent
        for candidate in (folder.joinpath(*parts), folder / parts[-1]):
            if ".." in candidate.parts or candidate.drive != folder.drive:
                continue
            if _is_inside(candidate, folder):
                return candidate.resolve()
        alike = [p for p in folder.iterdir() if p.name.lower() == parts[-1].lower()]
        return alike[0].resolve() if len(alike) == 1 and _is_inside(alike[0], folder) else None
    except (OSError, ValueError, RuntimeError):
        return None


def _is_inside(candidate: Path, folder: Path) -> bool:
    real = candidate.resolve()
    return real.is_relative_to(folder) and real.is_file()


def decode(text: bytes) -> str:
    """Names in files of no stated encoding: UTF-8 where it is that, else Windows-1252."""
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("cp1252", "replace")
