"""Hides from drawings and photographs, offcuts from one job to the next: against other libraries."""

import io
import json
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import svgelements
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter
from shapely.geometry import Point, Polygon

from flatten.errors import BadInput
from flatten.geometry.homography import apply, homography
from flatten.geometry.isolines import level_rings
from flatten.io.job_text import write_job
from flatten.io.jobs import read_job
from flatten.io.offcuts import offcuts_text
from flatten.io.outlines import read_outlines
from flatten.io.svg_shapes import svg_shapes
from flatten.records.template import Offcut

SCAN = Path(__file__).parents[1] / "whole" / "data" / "bad" / "ok_tube.ply"


def job_with(folder: Path, stock: str, ply: str = 'stock = "skin"') -> Path:
    path = folder / "job.toml"
    path.write_text(
        f'title = "x"\n[scan]\nfile = "{SCAN.as_posix()}"\nunit = "mm"\n'
        f'[[ply]]\nname = "base"\nmaterial = "veg-tan-2-dry"\n{ply}\n{stock}',
        encoding="utf-8",
    )
    return path


def stock_of(folder: Path, stock: str):
    return read_job(job_with(folder, '[[stock]]\nname = "skin"\nkind = "hide"\n' + stock)).stocks[0]


def test_a_hide_from_a_dxf_in_inches_with_flaw_zone_and_backbone(tmp_path):
    doc = ezdxf.new("R2010", units=1)
    space = doc.modelspace()
    for layer in ("HIDE", "FLAWS", "ZONE BACK", "BACKBONE"):
        doc.layers.add(layer)
    # The edge: loose lines and an arc that meet at their ends.
    for a, b in (((0, 0), (40, 0)), ((0, 20), (0, 0)), ((0, 20), (40, 20))):
        space.add_line(a, b, dxfattribs={"layer": "HIDE"})
    space.add_arc((40, 10), 10.0, 270, 90, dxfattribs={"layer": "HIDE"})
    space.add_circle((10, 10), 1.0, dxfattribs={"layer": "FLAWS"})
    corners = [(0, 5), (40, 5), (40, 15), (0, 15)]
    space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "ZONE BACK"})
    space.add_line((2, 10), (38, 10), dxfattribs={"layer": "BACKBONE"})
    doc.saveas(tmp_path / "hide.dxf")
    found = read_outlines(tmp_path / "hide.dxf")
    mm2 = 25.4**2
    assert Polygon(found.outline).area == pytest.approx((800 + 50 * np.pi) * mm2, rel=1e-4)
    (hole,) = found.holes
    assert Polygon(hole).area == pytest.approx(np.pi * mm2, rel=1e-2)
    assert [z.name for z in found.zones] == ["back"]
    assert np.ptp(found.zones[0].outline, axis=0) == pytest.approx([40 * 25.4, 10 * 25.4])
    assert found.backbone_deg == pytest.approx(0.0)


PATH = (
    "m 10,10 l 80 0 q 30 10 10 40 t -20 30 c 0 10 -40 -10 -50 5 s -30 10 -30 -20"
    "a 12 8 30 0 1 -3 -25 A12,8,30,1120,30 v -5 H 12 z"
)


def test_svg_paths_agree_with_an_independent_reader():
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="100mm" viewBox="0 0 400 200">'
        f'<g transform="translate(20 10) rotate(15) scale(1.5)"><path id="edge" d="{PATH}"/></g></svg>'
    )
    ((label, points, closed),) = svg_shapes(svg.encode(), "x.svg")
    assert closed
    assert "edge" in label
    parsed = svgelements.SVG.parse(io.StringIO(svg), ppi=25.4, reify=True)
    (path,) = [e for e in parsed.elements() if isinstance(e, svgelements.Path)]
    other = np.array([[p.x, p.y] for p in (path.point(t) for t in np.linspace(0, 1, 4000))])
    # Same line: y up from the page's lower edge here, down from its upper edge there.
    mine = Polygon(points).exterior
    away = [mine.distance(Point(x, 100.0 - y)) for x, y in other]
    assert max(away) < 0.05


def test_an_svg_hide_has_its_flaws_and_is_not_mirrored(tmp_path):
    (tmp_path / "hide.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="1000mm" height="600mm" viewBox="0 0 1000 600">'
        '<polygon points="0,0 1000,0 1000,600 0,300"/><g id="flaws"><circle cx="900" cy="100" r="20"/></g>'
        '<g id="zone-belly"><rect x="0" y="0" width="1000" height="100"/></g></svg>',
        encoding="utf-8",
    )
    stock = stock_of(tmp_path, 'outline = "hide.svg"\n')
    assert Polygon(stock.outline).area == pytest.approx(1000 * 450)
    # Upper right on the page is upper right on the hide.
    assert np.mean(stock.holes[0], axis=0) == pytest.approx([900, 500], abs=1.0)
    assert stock.zones[0].name == "belly"
    assert stock.zones[0].outline[:, 1].min() == pytest.approx(500.0)


@pytest.mark.parametrize(
    ("name", "data", "word"),
    [
        ("a.dxf", b"garbage", "DXF"),
        ("a.svg", b"<svg><path", "SVG"),
        ("a.svg", b'<svg xmlns="http://www.w3.org/2000/svg"><line x1="0" x2="9"/></svg>', "closed"),
        ("a.svg", b"<!DOCTYPE a [<!ENTITY b 'c'>]><svg/>", "entities"),
        ("a.json", b"[[0, 0], [1, 1]]", "outline"),
        ("a.json", b'{"outline": 3}', "outline"),
        ("a.txt", b"x", ".dxf"),
    ],
)
def test_broken_outlines_are_one_line(tmp_path, name, data, word):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(BadInput) as error:
        stock_of(tmp_path, f'outline = "{name}"\n')
    assert word in str(error.value)
    assert "outline" in str(error.value)


def test_four_points_fix_a_tilt():
    # Hartley & Zisserman: any projective map is fixed by four points; checked on a fifth and sixth.
    H = np.array([[1.2, 0.3, 40.0], [-0.2, 0.9, 12.0], [3e-4, 2e-4, 1.0]])
    P = np.array([[0, 0], [297, 0], [297, 210], [0, 210], [700, -300], [-50, 400]], dtype=float)
    Q = apply(H, P)
    assert apply(homography(Q[:4], P[:4]), Q) == pytest.approx(P, abs=1e-6)
    with pytest.raises(ValueError, match="in line"):
        homography(np.array([[0, 0], [1, 1], [2, 2], [0, 5]], float), P[:4])


def test_level_lines_of_a_cone_are_circles():
    y, x = np.mgrid[0:81, 0:101]
    (ring,) = level_rings(-np.hypot(x - 50.3, y - 39.6), -27.0)
    assert np.hypot(*(ring - (50.3, 39.6)).T) == pytest.approx(27.0, abs=0.01)
    assert Polygon(ring).area == pytest.approx(np.pi * 27.0**2, rel=1e-3)


def hide_shape() -> np.ndarray:
    t = np.linspace(0.0, 2.0 * np.pi, 300, endpoint=False)
    r = 1.0 + 0.15 * np.cos(4 * t) + 0.06 * np.sin(3 * t)
    return np.column_stack([900.0 + 750.0 * r * np.cos(t), 620.0 + 420.0 * r * np.sin(t)])


# mm (y down, as the picture sees it) to pixels: tilted about 25 degrees.
TILT = np.array([[0.80, 0.06, 130.0], [0.03, 0.86, 60.0], [6e-5, 1.6e-4, 1.0]])
SHEET = np.array([[1620, 60], [1917, 60], [1917, 270], [1620, 270]], dtype=float)


def photographed(path: Path, ground=(96, 120, 104), skin=(168, 112, 70), hole=True) -> np.ndarray:
    """Draws the hide, unevenly lit, with a hole and a white A4 sheet; gives the sheet's corners."""
    over = 3
    S = np.diag([over, over, 1.0]) @ TILT
    w, h = 1500, 1050
    image = Image.new("RGB", (w * over, h * over), ground)
    draw = ImageDraw.Draw(image)
    draw.polygon([tuple(p) for p in apply(S, hide_shape())], fill=skin)
    if hole:
        t = np.linspace(0, 2 * np.pi, 60)
        ring = np.column_stack([700 + 30 * np.cos(t), 600 + 30 * np.sin(t)])
        draw.polygon([tuple(p) for p in apply(S, ring)], fill=ground)
    draw.polygon([tuple(p) for p in apply(S, SHEET)], fill=(240, 240, 235))
    small = np.asarray(image.resize((w, h), Image.Resampling.BOX), dtype=float)
    y, x = np.mgrid[0:h, 0:w]
    light = 0.8 + 0.25 * x / w + 0.1 * (y / h) ** 2
    noise = np.random.default_rng(1).normal(0.0, 4.0, small.shape)
    Image.fromarray(np.clip(small * light[..., None] + noise, 0, 255).astype(np.uint8)).save(path)
    return apply(TILT, SHEET)


def photo_table(corners, more: str = "") -> str:
    points = json.dumps(np.round(corners, 2).tolist())
    return (
        f'margin_mm = 6.0\n[stock.photo]\nfile = "hide.png"\ncorners = {points}\n'
        f"width_mm = 297.0\nheight_mm = 210.0\n{more}"
    )


def test_a_photographed_hide_comes_out_true_to_size_whatever_its_tilt(tmp_path):
    corners = photographed(tmp_path / "hide.png")
    # Corners may be given either way round.
    for given in (corners, corners[::-1]):
        stock = stock_of(tmp_path, photo_table(given, "backbone = [[300, 500], [900, 560]]\n"))
        true = hide_shape() * (1.0, -1.0)  # y up
        true -= true.min(axis=0)
        found, want = Polygon(stock.outline), Polygon(true)
        assert found.area == pytest.approx(want.area, rel=0.01)
        assert found.hausdorff_distance(want) < 6.0
        assert found.symmetric_difference(want).area < 0.01 * want.area
        (hole,) = stock.holes
        assert Polygon(hole).area == pytest.approx(np.pi * 30.0**2, rel=0.25)
        low = (hide_shape() * (1.0, -1.0)).min(axis=0)
        assert np.mean(hole, axis=0) == pytest.approx(np.array([700.0, -600.0]) - low, abs=6.0)
        assert any("one pixel off" in note for note in stock.notes)
        assert stock.backbone_deg is not None
    # What is written is the outline itself, and reads back the same without the photograph.
    (tmp_path / "hide.png").rename(tmp_path / "gone.png")
    (tmp_path / "again.toml").write_text(
        write_job(read_job_with(stock, tmp_path), tmp_path), encoding="utf-8"
    )
    again = read_job(tmp_path / "again.toml").stocks[0]
    assert np.array_equal(again.outline, stock.outline)
    assert again.backbone_deg == stock.backbone_deg
    assert again.notes == stock.notes


def read_job_with(stock, folder: Path):
    from dataclasses import replace

    job = read_job(job_with(folder, "", 'stock = "leather-roll"'))
    ply = replace(job.plies[0], stock=stock.name)
    return replace(job, plies=(ply,), stocks=(stock,))


@pytest.mark.parametrize("skin", [(214, 178, 140), (70, 45, 35)])
def test_neither_its_shadow_nor_a_blotchy_ground_moves_the_edge_of_a_hide(tmp_path, skin):
    corners = photographed(tmp_path / "hide.png", ground=(130, 128, 122), skin=skin, hole=False)
    image = np.asarray(Image.open(tmp_path / "hide.png"), dtype=float)
    h, w = image.shape[:2]
    mask = Image.new("L", (w, h))
    ImageDraw.Draw(mask).polygon([tuple(p) for p in apply(TILT, hide_shape())], fill=1)
    on = np.asarray(mask)[..., None] > 0
    # Concrete in blotches, a mottled skin, and a shadow 12 pixels below and to the right.
    rng = np.random.default_rng(2)
    coarse, fine = (
        gaussian_filter(rng.normal(size=(h, w)), s)[..., None] * s * 3.5 for s in (40.0, 4.0)
    )
    shadow = gaussian_filter(np.roll(on, (12, 12), axis=(0, 1)).astype(float), (8, 8, 0))
    ground = image * (1.0 - 0.5 * shadow) * (1.0 + 0.08 * coarse + 0.08 * fine)
    made = np.where(on, image * (1.0 + 0.05 * np.roll(coarse, 300, axis=1)), ground)
    Image.fromarray(np.clip(made, 0, 255).astype(np.uint8)).save(tmp_path / "hide.png")
    stock = stock_of(tmp_path, photo_table(corners))
    true = hide_shape() * (1.0, -1.0)
    true -= true.min(axis=0)
    assert not stock.holes
    assert Polygon(stock.outline).hausdorff_distance(Polygon(true)) < 8.0


def test_a_hide_that_cannot_be_told_from_the_ground_asks_for_its_outline(tmp_path):
    corners = photographed(tmp_path / "hide.png", ground=(163, 116, 81), skin=(166, 114, 78))
    with pytest.raises(BadInput, match="cannot be told"):
        stock_of(tmp_path, photo_table(corners))
    outline = json.dumps(np.round(apply(TILT, hide_shape()[::5]), 1).tolist())
    stock = stock_of(tmp_path, photo_table(corners, f"outline = {outline}\n"))
    assert Polygon(stock.outline).area == pytest.approx(Polygon(hide_shape()).area, rel=0.01)


def test_corners_that_are_no_rectangle_are_refused(tmp_path):
    corners = photographed(tmp_path / "hide.png")
    with pytest.raises(BadInput, match="corners"):
        stock_of(tmp_path, photo_table(corners[[0, 2, 1, 3]]))
    with pytest.raises(BadInput, match="4 or more"):
        stock_of(tmp_path, photo_table(corners[:3]))


def test_offcuts_are_read_back_as_stock_for_plies_of_their_material(tmp_path):
    ell = np.array([(0, 0), (500, 0), (500, 200), (200, 200), (200, 600), (0, 600)], dtype=float)
    kept = [
        Offcut(stock="a", material="veg-tan-2-dry", thickness_mm=2.0, outline=ell),
        Offcut(stock="b", material="card", thickness_mm=0.0, outline=ell * 0.5, holes=(ell * 0.1,)),
    ]
    (tmp_path / "offcuts.toml").write_text(offcuts_text(kept), encoding="utf-8")
    stock = '[[stock]]\nname = "rests"\nkind = "offcut"\nfile = "offcuts.toml"\n'
    job = read_job(job_with(tmp_path, stock, 'stock = ["rests", "leather-roll"]'))
    (ply,) = job.plies
    assert (ply.stock, *ply.more_stocks) == ("rests 1", "rests 2", "leather-roll")
    first, second = job.stocks[:2]
    assert np.array_equal(first.outline, ell)
    assert (first.kind, first.count, first.material) == ("offcut", 1, "veg-tan-2-dry")
    assert np.array_equal(second.holes[0], ell * 0.1)
    # The job as it is written holds the outlines themselves.
    (tmp_path / "again.toml").write_text(write_job(job, tmp_path), encoding="utf-8")
    again = read_job(tmp_path / "again.toml")
    assert again.plies == job.plies
    assert np.array_equal(again.stocks[0].outline, ell)


@pytest.mark.parametrize(
    ("stock", "key"),
    [
        ('kind = "roll"\nwidth_mm = 900\nteeth_mm = 9\n', "teeth_mm"),
        ('kind = "sheet"\nwidth_mm = 900\nlength_mm = 900\nfold = true\n', "fold"),
        ('kind = "sheet"\nwidth_mm = 900\nlength_mm = 900\nbackbone = 3\n', "backbone"),
        ('kind = "hide"\noutline = [[0,0],[9,0],[9,9]]\nbackbone = [[1,1],[1,1]]\n', "backbone"),
        ('kind = "hide"\n', "outline"),
        ('kind = "offcut"\nfile = "none.toml"\n', "file"),
    ],
)
def test_stock_keys_that_make_no_sense_are_named(tmp_path, stock, key):
    with pytest.raises(BadInput, match=key):
        read_job(job_with(tmp_path, f'[[stock]]\nname = "skin"\n{stock}'))
