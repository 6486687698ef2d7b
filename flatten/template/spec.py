"""What the user may ask of the templates, with the defaults of the trade."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class TemplateSpec:
    """What goes on every template of a job.

    date : as it is to be printed, None for no date (so that the same job gives the same drawing)
    """

    title: str = ""
    wearer: str = ""
    revision: int = 1
    date: str | None = None
