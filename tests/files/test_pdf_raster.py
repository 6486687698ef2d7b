"""The PDF as a printer sees it: at 300 dots an inch, distances in dots."""

import numpy as np
import pypdfium2
import pytest

from flatten.drawing.tile import tile
from flatten.io.pdf import write_pdf
from flatten.records.drawing import Drawing, Polyline


def test_a_square_of_150_mm_is_as_many_dots_as_it_should_be(tmp_path):
    corners = np.array([[0, 0], [150, 0], [150, 150], [0, 150]], dtype=float)
    square = Polyline(layer="CUT", points=corners, closed=True)
    drawing = Drawing(title="s", width_mm=150, height_mm=150, blocks=(), inserts=(), ink=(square,))
    write_pdf([tile(drawing, "A4")], tmp_path / "a.pdf")
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
