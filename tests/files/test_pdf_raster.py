"""The PDF as a printer sees it: at 300 dots an inch, distances in dots."""

import numpy as np
import pypdfium2
import pytest

from flatten.drawing.paper import paper_tiling
from flatten.io.pdf import write_pdf
from flatten.records.drawing import Block, Polyline


def test_a_square_of_150_mm_is_as_many_dots_as_it_should_be(tmp_path):
    corners = np.array([[0, 0], [150, 0], [150, 150], [0, 150]], dtype=float)
    square = Polyline(layer="CUT", points=corners, closed=True)
    write_pdf([paper_tiling((Block(name="S", ink=(square,)),), "s", "A4")], tmp_path / "a.pdf")
    document = pypdfium2.PdfDocument(tmp_path / "a.pdf")
    picture = np.asarray(document[1].render(scale=300 / 72).to_pil().convert("L"))
    dark = picture < 128
    # The two upright lines fill one column each over 150 mm, the level ones a row.
    columns = np.flatnonzero(dark.sum(axis=0) > 1500)
    rows = np.flatnonzero(dark.sum(axis=1) > 1500)
    for found in (columns, rows):
        groups = np.split(found, np.flatnonzero(np.diff(found) > 5) + 1)
        assert len(groups) == 2
        apart = groups[1].mean() - groups[0].mean()
        assert apart / 300 * 25.4 == pytest.approx(150.0, abs=0.1)
    assert picture.shape[1] / 300 * 25.4 == pytest.approx(210.0, abs=0.1)
