"""The errors a user can meet, each one line: what is wrong, where, and what to do."""


class FlattenError(Exception):
    """Root of every error that the command turns into one line and an exit code."""

    exit_code = 3


class BadInput(FlattenError):
    """The input is wrong, or a question must be answered first (exit code 2).

    Parameters
    ----------
    what : what is wrong, as a short sentence without a full stop
    where : the file, line, key, panel or place it is wrong at; may be empty
    fix : what the user can do about it
    """

    exit_code = 2

    def __init__(self, what: str, where: str = "", fix: str = "") -> None:
        self.what, self.where, self.fix = what, where, fix
        super().__init__(what, where, fix)

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        text = f"{head}; {self.fix}" if self.fix else head
        return " ".join(text.split())


class CannotWrite(FlattenError):
    """The results could not be written (exit code 3)."""

    exit_code = 3


class Cancelled(FlattenError):
    """The user stopped the work (exit code 130)."""

    exit_code = 130
