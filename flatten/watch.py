"""Progress for a person: named stages on stderr, a bar on a terminal, seconds by stage."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

WIDTH = 24
SPOKEN = {
    "read": "reading",
    "clean": "cleaning the scan",
    "lines": "laying the lines",
    "cut": "cutting into panels",
    "flatten": "flattening",
    "templates": "making templates",
    "lay_plan": "planning the stock",
    "write": "writing",
}


class Watch:
    """Where a command says what it is doing."""

    def __init__(self, *, quiet: bool) -> None:
        self.quiet = quiet
        self.bar = sys.stderr.isatty() and not quiet
        self.seconds: dict[str, float] = {}
        self._open = False

    def progress(self, stage: str, done: float) -> None:
        """Called by the stages; `done` runs from 0 to 1."""
        name = SPOKEN.get(stage, stage)
        if self.bar:
            filled = round(WIDTH * done)
            sys.stderr.write(f"\r  {name:<22}[{'=' * filled}{' ' * (WIDTH - filled)}]")
            if done >= 1.0:
                sys.stderr.write("\n")
            self._open = done < 1.0
            sys.stderr.flush()
        elif not self.quiet and done == 0.0:
            print(f"  {name}", file=sys.stderr, flush=True)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Times one stage and shows it."""
        self.progress(name, 0.0)
        start = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start
        self.progress(name, 1.0)

    def say(self, text: str) -> None:
        """One line for the user."""
        self.close()
        if not self.quiet:
            print(text, file=sys.stderr, flush=True)

    def close(self) -> None:
        """Ends a half-drawn bar, so that what follows starts on its own line."""
        if self._open:
            sys.stderr.write("\n")
            self._open = False
