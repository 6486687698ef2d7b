"""The bundled jobs run once, for every test that looks at their files."""

from pathlib import Path

import pytest

from flatten.cli import main


@pytest.fixture(scope="session")
def demo(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("demo") / "results"
    assert main(["demo", "--out", str(out), "-q"]) == 0
    return out
