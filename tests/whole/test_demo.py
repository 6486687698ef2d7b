"""The bundled jobs, scan to files, measured again by other libraries on what was written."""

import json
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pytest
import shapely
import svgelements
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from flatten.cli import main
from flatten.geometry.topology import border_loops

JOBS = ("tide-warden-breastplate", "tide-warden-greave")


def report(demo: Path, job: str) -> dict:
    return json.loads((demo / job / "report.json").read_text(encoding="utf-8"))


def read_obj(path: Path):
    rows = [line.split() for line in path.read_text(encoding="utf-8").splitlines() if line]
    V = np.array([[float(x) for x in r[1:]] for r in rows if r[0] == "v"])
    U = np.array([[float(x) for x in r[1:]] for r in rows if r[0] == "vt"])
    F = np.array([[int(t.split("/")[0]) - 1 for t in r[1:]] for r in rows if r[0] == "f"])
    return V, U, F


def stretches(V, U, F):
    """Singular values of flat -> surface from numpy's SVD, and signed flat areas."""
    e = np.stack([V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]]], axis=2)
    f = np.stack([U[F[:, 1]] - U[F[:, 0]], U[F[:, 2]] - U[F[:, 0]]], axis=2)
    s = np.linalg.svd(e @ np.linalg.inv(f), compute_uv=False)
    return s[:, 0], s[:, 1], 0.5 * np.linalg.det(f)


def panels(demo):
    return [(job, p) for job in JOBS for p in report(demo, job)["panels"]]


@pytest.mark.parametrize("job", JOBS)
def test_every_promised_file_is_there(demo, job):
    data = report(demo, job)
    folder = demo / job
    for name in ("report.html", "buy.csv", "job.toml", "guide.pdf"):
        assert (folder / name).stat().st_size > 0
    for ply in data["plies"]:
        assert {Path(f).suffix for f in ply["files"]} >= {".dxf", ".svg", ".pdf"}
        assert all((folder / f).stat().st_size > 0 for f in ply["files"])
    assert all((folder / p["mesh"]).stat().st_size > 0 for p in data["panels"])


def test_the_breastplate_has_five_panels_a_ply_and_the_greave_four(demo):
    counts = [
        sum(p["ply"] == ply for p in report(demo, job)["panels"])
        for job, ply in ((JOBS[0], "base"), (JOBS[0], "cover"), (JOBS[1], "base"))
    ]
    assert counts == [5, 5, 4]


def test_no_opening_of_a_sound_cast_is_taken_for_a_tear(demo):
    for job in JOBS:
        assert not any("as a tear does" in note for note in report(demo, job)["notes"])


def test_strain_computed_from_the_meshes_is_the_reports(demo):
    for job, panel in panels(demo):
        V, U, F = read_obj(demo / job / panel["mesh"])
        s1, s2, area = stretches(V, U, F)
        assert (area > 0).all(), "a face is flipped, or the flat is mirrored"
        assert 100 * (s1.max() - 1) == pytest.approx(panel["stretch_max_pct"], abs=0.05)
        assert 100 * (1 - s2.min()) == pytest.approx(panel["squeeze_max_pct"], abs=0.05)
        centroid = V[F].mean(axis=1)
        weight = 0.5 * np.linalg.norm(
            np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]]), axis=1
        )
        discs = cKDTree(centroid).query_ball_point(centroid, 5.0)
        for key, value in (("stretch", s1 - 1), ("squeeze", 1 - s2)):
            means = [np.average(value[d], weights=weight[d]) for d in discs]
            assert 100 * max(0.0, *means) == pytest.approx(panel[f"{key}_peak_pct"], abs=0.05)


def test_partner_edges_meet(demo):
    # Bars of the project: 0.05 mm over the whole seam, 0.5 mm at any point along it.
    for job in JOBS:
        for seam in report(demo, job)["seams"]:
            assert abs(seam["mismatch_mm"]) <= 0.05, seam["name"]
            assert seam["worst_cumulative_mm"] <= 0.5, seam["name"]


def net_outlines(path: Path) -> list[np.ndarray]:
    """The net outline of every block, block coordinates: its largest closed polyline in NET."""
    found = []
    for block in ezdxf.readfile(path).blocks:
        rings = [
            np.array(e.get_points("xy"))
            for e in block
            if e.dxftype() == "LWPOLYLINE" and e.dxf.layer == "NET" and e.closed
        ]
        if rings:
            found.append(max(rings, key=lambda ring: Polygon(ring).area))
    return found


def in_own_axes(ring: np.ndarray) -> np.ndarray:
    """The outline about its centroid, turned so that its longest axis of inertia lies on x."""
    edge = Polygon(ring).exterior
    # Evenly spaced, or the axes would lean to wherever the outline has more points.
    at = np.linspace(0.0, edge.length, round(edge.length / 0.5), endpoint=False)
    dense = shapely.get_coordinates(shapely.line_interpolate_point(edge, at))
    dense = dense - np.array(Polygon(ring).centroid.coords[0])
    _, axes = np.linalg.eigh(np.cov(dense.T))
    axes = axes[:, ::-1]
    if np.linalg.det(axes) < 0:
        axes[:, 1] *= -1
    return dense @ axes


def misfit(P: np.ndarray, Q: np.ndarray) -> float:
    """Hausdorff distance of two outlines after turning (never mirroring) one onto the other."""
    P, Q = in_own_axes(P), in_own_axes(Q)
    return min(
        max(cKDTree(Q).query(sign * P)[0].max(), cKDTree(sign * P).query(Q)[0].max())
        for sign in (1.0, -1.0)
    )


def flat_outline(path: Path) -> np.ndarray:
    _, U, F = read_obj(path)
    (loop,) = border_loops(F)
    return U[loop]


@pytest.mark.parametrize(
    ("job", "ply", "mirrored"),
    [(JOBS[0], "base", True), (JOBS[0], "cover", False), (JOBS[1], "base", True)],
)
def test_left_is_left_as_worn_on_both_faces(demo, job, ply, mirrored):
    """The flats are right side up (their areas are positive): a template drawn on the face is the
    flat turned, one drawn on the back its mirror image, and nothing else fits."""
    nets = net_outlines(demo / job / f"{ply}.dxf")
    told = 0
    for panel in report(demo, job)["panels"]:
        if panel["ply"] != ply:
            continue
        outline = flat_outline(demo / job / panel["mesh"])
        seen = outline * [-1, 1] if mirrored else outline
        right = min(misfit(seen, net) for net in nets)
        wrong = min(misfit(seen * [-1, 1], net) for net in nets)
        assert right < 1.0
        # A pair's outlines are each other's mirror images, so only a piece's own size tells.
        told += wrong > 2.0
    assert told or job == JOBS[0]


@pytest.mark.parametrize("job", JOBS)
def test_svg_and_dxf_show_the_same_side(demo, job):
    """Cut lines read by two independent readers agree, y up in one and down in the other."""
    for ply in report(demo, job)["plies"]:
        stem = next(f for f in ply["files"] if f.endswith(".dxf"))[:-4]
        document = ezdxf.readfile(demo / job / f"{stem}.dxf")
        dxf = []
        for insert in document.modelspace().query("INSERT"):
            for e in insert.virtual_entities():
                if e.dxf.layer == "CUT":
                    dxf += [(p[0], p[1]) for p in e.get_points("xy")]
        root = ElementTree.parse(demo / job / f"{stem}.svg").getroot()
        assert root.get("width", "").endswith("mm")
        width_mm = float(root.get("width")[:-2])
        svg = []
        for element in svgelements.SVG.parse(str(demo / job / f"{stem}.svg"), ppi=25.4).elements():
            group = element.values.get("id") or ""
            if isinstance(element, svgelements.Group) and group.startswith("CUT"):
                for shape in element.select(lambda e: isinstance(e, svgelements.Shape)):
                    svg += [(p.x, p.y) for p in svgelements.Path(shape).as_points()]
        dxf, svg = np.array(dxf), np.array(svg)
        assert len(svg)
        up = np.column_stack([svg[:, 0], -svg[:, 1]])
        # One shift brings one onto the other; a mirrored drawing would need more.
        shift = dxf.min(axis=0) - up.min(axis=0)
        assert cKDTree(dxf).query(up + shift)[0].max() < 0.05
        assert width_mm > np.ptp(dxf[:, 0])


@pytest.mark.parametrize("job", JOBS)
def test_dxf_opens_without_repair_and_states_its_unit(demo, job):
    for path in (demo / job).glob("*.dxf"):
        document = ezdxf.readfile(path)
        audit = document.audit()
        assert (len(audit.errors), len(audit.fixes)) == (0, 0)
        assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"]) == (4, 1)


@pytest.mark.parametrize("job", JOBS)
def test_the_flats_area_is_the_net_outlines(demo, job):
    for panel in report(demo, job)["panels"]:
        outline = Polygon(flat_outline(demo / job / panel["mesh"]))
        assert outline.area == pytest.approx(panel["area_flat_mm2"], rel=1e-6)
        nets = net_outlines(demo / job / f"{panel['ply']}.dxf")
        assert min(abs(Polygon(n).area / outline.area - 1) for n in nets) < 2e-3


def test_running_a_results_own_job_again_gives_the_same_drawings(demo, tmp_path):
    folder = demo / JOBS[1]
    assert main(["run", str(folder / "job.toml"), "--out", str(tmp_path / "again"), "-q"]) in (0, 1)
    for name in ("base.dxf", "base.svg", "base.pdf"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes()
