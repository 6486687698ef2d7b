"""DXF, SVG and PDF of one drawing, read back by independent readers: size, sides, groups.

The piece is an L that is nobody's mirror image, turned by 30 degrees; where its corners must lie
is worked out here by hand, and each format must put them there.
"""

import os
import re
import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pypdf
import pytest
from pdf_paths import pdf_paths
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon, box
from svgelements import SVG
from svgelements import Path as SvgPath

from flatten.drawing.compose import check_square
from flatten.drawing.paper import paper_tiling
from flatten.errors import CannotWrite
from flatten.io.dxf import write_dxf
from flatten.io.pdf import write_pdf
from flatten.io.pdf_projector import write_projector
from flatten.io.svg import PROCESSES, write_svg
from flatten.records.drawing import LAYERS, Block, Circle, Drawing, Insert, Polyline, Text

ELL = np.array([[0, 0], [200, 0], [200, 50], [50, 50], [50, 300], [0, 300]], dtype=np.float64)
COS, SIN = np.cos(np.pi / 6), 0.5
TURNED = ELL @ np.array([[COS, SIN], [-SIN, COS]]) + (400.0, 100.0)
STOCK = np.array([[0, 0], [1000, 0], [1000, 600], [0, 600]], dtype=np.float64)


@pytest.fixture
def drawing():
    block = Block(
        name="LEFT-FRONT",
        ink=(
            Polyline(layer="CUT", points=ELL, closed=True),
            Polyline(layer="NET", points=ELL, closed=True),
            Polyline(layer="SCORE", points=ELL[:2]),
            Polyline(layer="NOTCH", points=ELL[1:3]),
            Polyline(layer="SNIP", points=ELL[1:3]),
            Polyline(layer="DETAIL", points=ELL[2:5]),
            Polyline(layer="GRAIN", points=np.array([[25.0, 50.0], [25.0, 150.0]])),
            Circle(layer="HOLE", centre=(20.0, 30.0), radius=1.5),
            Text(text="Left Ü", at=(60.0, 20.0), height=5.0),
        ),
    )
    edge = Polyline(layer="STOCK", points=STOCK, closed=True)
    return Drawing(
        title="Tide warden & <base>",
        width_mm=1000.0,
        height_mm=600.0,
        blocks=(block,),
        inserts=(Insert(block="LEFT-FRONT", at=(400.0, 100.0), angle_deg=30.0),),
        ink=(edge, *check_square()),
    )


def dxf_entities(path):
    """(layer, points or (centre, radius)) of everything in the model space, blocks resolved."""
    document = ezdxf.readfile(path)
    found = []
    for entity in document.modelspace():
        for e in entity.virtual_entities() if entity.dxftype() == "INSERT" else [entity]:
            if e.dxftype() == "CIRCLE":
                found.append((e.dxf.layer, (np.array(e.dxf.center)[:2], e.dxf.radius)))
            elif e.dxftype() == "LWPOLYLINE":
                found.append((e.dxf.layer, np.array(e.get_points("xy"))))
            elif e.dxftype() == "POLYLINE":
                found.append((e.dxf.layer, np.array([v.dxf.location for v in e.vertices])[:, :2]))
    return found


@pytest.mark.parametrize("version", ["R12", "R2000", "R2010", "R2018"])
@pytest.mark.parametrize(("unit", "factor", "code"), [("mm", 1.0, 4), ("in", 25.4, 1)])
def test_dxf_opens_without_repair_at_true_size(drawing, tmp_path, version, unit, factor, code):
    """$INSUNITS 1 is inches, 4 mm; R12 has none (DXF reference)."""
    path = tmp_path / "a.dxf"
    write_dxf(drawing, path, version, unit)
    document = ezdxf.readfile(path)
    audit = document.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    if version != "R12":
        assert document.header["$INSUNITS"] == code
        assert document.header["$MEASUREMENT"] == (unit == "mm")
    assert {layer.dxf.name for layer in document.layers} >= set(LAYERS)
    assert "LEFT-FRONT" in document.blocks
    found = dxf_entities(path)
    assert {layer for layer, _ in found} == set(LAYERS)
    cut = next(shape for layer, shape in found if layer == "CUT")
    assert cut * factor == pytest.approx(TURNED, abs=1e-6)
    centre, radius = next(shape for layer, shape in found if layer == "HOLE")
    assert radius * factor == pytest.approx(1.5)
    assert centre * factor == pytest.approx([400 + 20 * COS - 30 * SIN, 100 + 20 * SIN + 30 * COS])
    square = next(shape for layer, shape in found if layer == "TEST" and len(shape) == 4)
    assert np.ptp(square, axis=0) * factor == pytest.approx([100.0, 100.0])


def test_dxf_outlines_are_closed_polylines(drawing, tmp_path):
    write_dxf(drawing, tmp_path / "a.dxf")
    block = ezdxf.readfile(tmp_path / "a.dxf").blocks.get("LEFT-FRONT")
    lines = [e for e in block.query("LWPOLYLINE") if e.dxf.layer in ("CUT", "NET")]
    assert [e.closed for e in lines] == [True, True]
    assert [len(e) for e in lines] == [6, 6]


@pytest.mark.parametrize("write", [write_dxf, write_svg])
def test_the_same_drawing_gives_the_same_bytes(drawing, tmp_path, write):
    write(drawing, tmp_path / "a")
    write(drawing, tmp_path / "b")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_a_mirrored_insert_is_mirrored_in_both_formats_and_its_words_are_not(drawing, tmp_path):
    insert = Insert(block="LEFT-FRONT", at=(400.0, 100.0), mirrored=True)
    drawing = replace(drawing, inserts=(insert,))
    expected = ELL * (-1, 1) + (400, 100)
    write_dxf(drawing, tmp_path / "a.dxf")
    write_svg(drawing, tmp_path / "a.svg")
    found = dxf_entities(tmp_path / "a.dxf")
    assert next(s for layer, s in found if layer == "CUT") == pytest.approx(expected)
    assert svg_shapes(tmp_path / "a.svg")["CUT"][0] == pytest.approx(expected, abs=1e-3)
    # The first stroke of "L" goes down, its second to the right: unmirrored.
    strokes = [s for layer, s in found if layer == "LABEL"]
    assert strokes[0][1, 1] < strokes[0][0, 1]
    assert strokes[1][1, 0] > strokes[1][0, 0]


def svg_shapes(path):
    """Points of every path by group, in mm with y up, from the check square's known corner."""
    text = path.read_text()
    root = ElementTree.fromstring(text)
    width, height = (float(root.get(k).removesuffix("mm")) for k in ("width", "height"))
    assert [float(v) for v in root.get("viewBox").split()] == [0, 0, width, height]
    document = SVG.parse(str(path), ppi=25.4)  # one pixel is one mm
    groups = {}
    for layer in LAYERS:
        group = document.get_element_by_id(layer)
        if group is None:
            continue
        for element in group.select(lambda e: isinstance(e, SvgPath)):
            points = [element.first_point, *(s.end for s in element.segments() if s.end)]
            xy = np.array([[p.x, p.y] for p in points])
            if (xy[0] == xy[-1]).all():
                xy = xy[:-1]
            _, keep = np.unique(xy, axis=0, return_index=True)
            groups.setdefault(layer, []).append(xy[np.sort(keep)])
    square = next(p for p in groups["TEST"] if len(p) == 4)
    # Lower left corner of the check square is at (0, -120) in the drawing.
    origin = np.array([square[:, 0].min(), square[:, 1].max()])
    return {
        layer: [(p - origin) * (1, -1) + (0, -120) for p in shapes]
        for layer, shapes in groups.items()
    }


def test_svg_has_the_groups_in_mm_and_left_stays_left(drawing, tmp_path):
    """The corners must lie where the DXF has them: y turned over with the page, x as it is."""
    path = tmp_path / "a.svg"
    write_svg(drawing, path)
    shapes = svg_shapes(path)
    assert set(shapes) == set(LAYERS) - {"HOLE"}
    assert shapes["CUT"][0] == pytest.approx(TURNED, abs=1e-3)
    assert Polygon(shapes["CUT"][0]).area == pytest.approx(22_500.0, rel=1e-4)
    circle = next(
        e for e in SVG.parse(str(path), ppi=25.4).elements() if type(e).__name__ == "Circle"
    )
    assert float(circle.rx) == pytest.approx(1.5)


def test_svg_by_process(drawing, tmp_path):
    """Each process can be sent to a cutter by itself, and together they hold every group once."""
    everything = [layer for layers in PROCESSES.values() for layer in layers]
    assert sorted(everything) == sorted(LAYERS)
    for process, layers in PROCESSES.items():
        write_svg(drawing, tmp_path / "a.svg", [process])
        groups = re.findall(r'<g id="(\w+)"', (tmp_path / "a.svg").read_text())
        assert set(groups) == set(layers)
        colours = set(re.findall(r'stroke="(#\w+)"', (tmp_path / "a.svg").read_text()))
        assert len(colours) == 1


def test_svg_is_well_formed_with_any_title(drawing, tmp_path):
    write_svg(drawing, tmp_path / "a.svg")
    root = ElementTree.parse(tmp_path / "a.svg").getroot()
    assert root[0].text == "Tide warden & <base>"


def test_pdf_is_true_size_with_a_map_and_bars(drawing, tmp_path):
    """1/72 inch units and no scaling by the printer (ISO 32000)."""
    path = tmp_path / "a.pdf"
    tiling = paper_tiling(drawing.blocks, drawing.title, "A4")
    write_pdf([tiling], path)
    reader = pypdf.PdfReader(path)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert len(reader.pages) == 1 + len(tiling.tiles)
    for page in reader.pages:
        size = [float(v) / 72 * 25.4 for v in (page.mediabox.width, page.mediabox.height)]
        assert size == pytest.approx(tiling.page_mm, abs=0.01)
    overview = reader.pages[0].extract_text()
    assert "50 mm" in overview
    assert "1 inch" in overview
    for tile_, page in zip(tiling.tiles, list(reader.pages)[1:], strict=True):
        assert tile_.name in overview
        text = page.extract_text()
        assert text.startswith(tile_.name)
        assert "100 mm" in text
    sizes = [tuple(np.round(np.ptp(p, axis=0), 2)) for _, p in pdf_paths(reader.pages[0])]
    assert (50.0, 50.0) in sizes
    assert (25.4, 25.4) in sizes
    bars = {s for s in sizes if 0.0 in s}
    assert (0.0, 200.0) in bars or (0.0, 100.0) in bars
    assert (200.0, 0.0) in bars or (100.0, 0.0) in bars


def on_paper(tiling):
    """The L as it lies on the pages, turned and moved by hand from what the tiling says."""
    (insert,) = tiling.drawing.inserts
    quarter = np.array([[0.0, 1.0], [-1.0, 0.0]]) if insert.angle_deg == 90.0 else np.eye(2)
    return ELL @ quarter + insert.at


def test_pdf_pages_together_hold_the_whole_outline(drawing, tmp_path):
    """Every page's cut lines, brought back to the sheet, lie on the L; together they cover it."""
    tiling = paper_tiling(drawing.blocks, drawing.title, "A4")
    write_pdf([tiling], tmp_path / "a.pdf")
    pages = list(pypdf.PdfReader(tmp_path / "a.pdf").pages)[1:]
    assert len(pages) == len(tiling.tiles) == 2
    outline = Polygon(on_paper(tiling)).exterior
    seen = Polygon()
    for place, page in zip(tiling.tiles, pages, strict=True):
        shift = np.array(place.low) - tiling.margin_mm
        runs = [p + shift for w, p in pdf_paths(page) if w == pytest.approx(0.4, abs=1e-3)]
        for run in runs:
            if max(outline.distance(Point(p)) for p in run) < 1e-3:
                line = np.vstack([run, run[:1]]) if len(run) == 6 else run
                seen = seen.union(LineString(line).buffer(0.01))
    assert outline.intersection(seen).length == pytest.approx(outline.length, rel=1e-3)


def test_every_page_says_which_pieces_it_shows_a_part_of(tmp_path):
    def square(name, side):
        ring = np.array([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]])
        return Block(name=name, ink=(Polyline(layer="CUT", points=ring, closed=True),))

    tiling = paper_tiling((square("BASE-FRONT", 400.0), square("BASE-BACK", 120.0)), "t", "A4")
    write_pdf([tiling], tmp_path / "a.pdf")
    pages = list(pypdf.PdfReader(tmp_path / "a.pdf").pages)[1:]
    lying = {i.block: translate(box(0, 0, *[s] * 2), *i.at) for i, s in placed(tiling, 400, 120)}
    for tile, page in zip(tiling.tiles, pages, strict=True):
        head = page.extract_text()
        for name, words in (("BASE-FRONT", "base front"), ("BASE-BACK", "base back")):
            shown = lying[name].intersection(box(*tile.low, *tile.high)).area > 400.0
            assert (words in head) == shown


def placed(tiling, *sides):
    """The inserts, none of them turned, with their sides."""
    assert all(insert.angle_deg == 0.0 for insert in tiling.drawing.inserts)
    return list(zip(tiling.drawing.inserts, sides, strict=True))


def test_a_piece_that_fits_the_roll_is_on_one_page(drawing, tmp_path):
    tiling = paper_tiling(drawing.blocks, drawing.title, "610")
    write_pdf([tiling], tmp_path / "a.pdf")
    pages = pypdf.PdfReader(tmp_path / "a.pdf").pages
    assert len(pages) == 2
    cut = next(p for w, p in pdf_paths(pages[1]) if w == pytest.approx(0.4, abs=1e-3))
    placed = cut + tiling.tiles[0].low - np.array([10.0, 10.0])
    assert placed == pytest.approx(on_paper(tiling), abs=1e-3)


def test_projector_page_is_black_with_thick_light_lines(drawing, tmp_path):
    write_projector(drawing, tmp_path / "a.pdf")
    page = pypdf.PdfReader(tmp_path / "a.pdf").pages[0]
    # 1000 x 600 stock, the check square 120 below it, 50 all round.
    size = [float(v) / 72 * 25.4 for v in (page.mediabox.width, page.mediabox.height)]
    assert size == pytest.approx([1100.0, 820.0], abs=0.01)
    operations = [op for _, op in page.get_contents().operations]
    assert b"re" in operations
    thick = [p for w, p in pdf_paths(page) if w > 1.5 and len(p) == 6]
    assert thick[0] - (50.0, 170.0) == pytest.approx(TURNED, abs=1e-3)


@pytest.mark.parametrize(
    "write",
    [
        write_dxf,
        write_svg,
        write_projector,
        lambda d, p: write_pdf([paper_tiling(d.blocks, d.title)], p),
    ],
)
def test_a_place_that_cannot_be_written_is_named(drawing, tmp_path, write):
    with pytest.raises(CannotWrite, match="nowhere"):
        write(drawing, tmp_path / "nowhere" / "a.out")


def test_the_bytes_of_a_dxf_do_not_depend_on_the_order_of_sets(tmp_path):
    """Python's hashes of words differ from run to run; the file must not."""
    code = (
        "import sys, numpy as np\n"
        "from flatten.io.dxf import write_dxf\n"
        "from flatten.records.drawing import Drawing, Polyline\n"
        "line = Polyline(layer='CUT', points=np.eye(2))\n"
        "write_dxf(Drawing(title='t', width_mm=1, height_mm=1, blocks=(), inserts=(), ink=(line,)),"
        " sys.argv[1])\n"
    )
    made = []
    for seed in ("1", "4"):
        path = tmp_path / f"{seed}.dxf"
        run = [sys.executable, "-c", code, str(path)]
        subprocess.run(run, check=True, env={**os.environ, "PYTHONHASHSEED": seed})
        made.append(path.read_bytes())
    assert made[0] == made[1]
