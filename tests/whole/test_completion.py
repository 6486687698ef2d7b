"""Casts whose lines do not cut them into disks: what is proposed, accepted, and run again."""

import re

import numpy as np
import pytest
import trimesh

from flatten.cli import main
from flatten.completion import complete_lines
from flatten.geometry.topology import border_loops, euler_characteristic
from flatten.geometry.triangles import vertex_normals
from flatten.lines.network import join_lines
from flatten.panels.cut import cut_panels, propose_lines
from flatten.records.cast import Cast, Rim
from flatten.records.lines import Line
from flatten.records.material import Ply


def cast_of(V, F, to_cast=None):
    F = np.asarray(F, dtype=np.int32)
    rims = tuple(
        Rim(
            name=f"hole {k + 1}", vertices=loop, length_mm=0.0, smooth_length_mm=0.0,
            flatness_mm=0.0, centre=V[loop].mean(axis=0),
        )
        for k, loop in enumerate(border_loops(F))
    )  # fmt: skip
    return Cast(
        name="c", V=V, F=F, N=vertex_normals(V, F), rims=rims,
        to_cast=np.eye(4) if to_cast is None else to_cast,
    )  # fmt: skip


def without(V, F, drop):
    F = F[~drop]
    used, inverse = np.unique(F, return_inverse=True)
    return V[used], inverse.reshape(-1, 3)


def ball(*holes):
    """A sphere of radius 100 without caps about some axes."""
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    V, F = np.array(mesh.vertices), np.array(mesh.faces)
    centre = V[F].mean(axis=1)
    drop = np.zeros(len(F), dtype=bool)
    for axis in holes:
        drop |= centre @ np.array(axis, float) > 85.0
    return without(V, F, drop)


def torus(*, hole):
    mesh = trimesh.creation.torus(60.0, 20.0, major_sections=60, minor_sections=24)
    V, F = np.array(mesh.vertices), np.array(mesh.faces)
    near = np.linalg.norm(V[F].mean(axis=1) - [80.0, 0.0, 0.0], axis=1) < 6.0
    return without(V, F, near & hole)


def base(lines=("*",), name="base"):
    return Ply(name=name, material="card", stock="card-sheet", lines=lines)


def disks(network, lines=("*",)):
    """The panels, each held to Euler's formula for a disk: V - E + F = 1 and one border."""
    panels = cut_panels(network, lines=lines).panels
    for panel in panels:
        assert euler_characteristic(panel.F) == 1
        assert len(border_loops(panel.F)) == 1
    return panels


@pytest.mark.parametrize(
    ("shape", "needed"),
    [
        (ball(), 1),
        (ball([0, 1, 0], [0, -1, 0]), 1),
        # b borders need b - 1 cuts, each handle two more (Seifert & Threlfall, Lehrbuch der
        # Topologie, 1934, ch. 6).
        (ball([0, 1, 0], [0, -1, 0], [1, 0, 0], [-1, 0, 0]), 3),
        (torus(hole=True), 2),
        (torus(hole=False), 2),
    ],
    ids=["closed", "tube", "four holes", "handle and hole", "handle"],
)
def test_added_lines_make_disks_of_whatever_form(shape, needed):
    cast = cast_of(*shape)
    done = complete_lines(cast, (), join_lines(cast, ()), (base(),))
    assert len(done.lines) == len(done.notes) == needed
    assert len(disks(done.network)) == 1


def test_the_line_is_as_short_as_the_theory_says_and_told_in_file_numbers():
    """Between two caps cut off a sphere the shortest way is a meridian: R times the angle left."""
    V, F = ball([0, 1, 0], [0, -1, 0])
    to_cast = np.diag([1000.0, 1000.0, 1000.0, 1.0])
    to_cast[:3, 3] = (30.0, -20.0, 10.0)
    cast = cast_of(V, F, to_cast)
    (proposal,) = propose_lines(join_lines(cast, ()))
    rims = [np.linalg.norm(V[loop], axis=1) for loop in border_loops(F)]
    assert np.allclose(np.concatenate(rims), 100.0)
    edge = [np.abs(V[loop, 1]) for loop in border_loops(F)]
    # Where the ragged rims come nearest to each other.
    least = 100.0 * (np.pi - sum(np.arccos(y.min() / 100.0) for y in edge))
    assert least * 0.995 < proposal.length_mm < least * 1.02
    told = np.array(
        [[float(x) for x in p.split(",")] for p in re.findall(r"\(([^)]+)\)", proposal.said)]
    )
    placed = told @ to_cast[:3, :3].T + to_cast[:3, 3]
    assert np.abs(np.linalg.norm(placed, axis=1) - 100.0).max() < 1.0
    # As short everywhere, so it runs where it shows least.
    assert "back" in proposal.side
    assert placed[:, 2].mean() < -60.0


def test_a_ply_that_spans_panels_gets_its_own_line_and_the_others_do_not():
    V, F = ball([0, 1, 0], [0, -1, 0])
    cast = cast_of(V, F)
    angle = np.radians(np.arange(5, 176, 5))
    sides = [
        Line(name=name, kind="seam", points=np.column_stack([
            100 * sign * np.sin(angle), 100 * np.cos(angle), 0 * angle
        ]))
        for name, sign in (("left", 1), ("right", -1))
    ]  # fmt: skip
    network = join_lines(cast, tuple(sides))
    plies = (base(), base(("left",), "cover"))
    assert len(disks(network)) == 2
    done = complete_lines(cast, tuple(sides), network, plies)
    assert done.lines == tuple(sides)
    ring = Line(
        name="ring", kind="seam", closed=True,
        points=np.column_stack([100 * np.sin(2 * angle), 0 * angle, 100 * np.cos(2 * angle)]),
    )  # fmt: skip
    lines = (*sides, ring)
    network = join_lines(cast, lines)
    plies = (base(), base(("ring",), "cover"))
    done = complete_lines(cast, lines, network, plies)
    assert len(done.lines) == 5
    assert len(disks(done.network, done.plies[0].lines)) == 4
    assert len(disks(done.network, done.plies[1].lines)) == 2
    assert set(done.plies[0].lines) == {"left", "right", "ring"}


def test_the_command_refuses_then_completes_and_its_job_runs_again(tmp_path, capsys):
    V, F = ball([0, 1, 0], [0, -1, 0])
    trimesh.Trimesh(V, F, process=False).export(tmp_path / "ball.ply")
    job = tmp_path / "job.toml"
    job.write_text(
        '[scan]\nfile = "ball.ply"\nunit = "mm"\nedge_mm = 12\n[[line]]\nname = "waist"\n'
        f"kind = 'seam'\nclosed = true\npoints = {ring_points()}\n"
    )
    assert main(["run", str(job), "--out", str(tmp_path / "a")]) == 2
    said = capsys.readouterr().err
    assert "panel 'lower': not a disk but a tube between the seam 'waist' and the rim" in said
    assert "draw a seam from the seam 'waist' to the rim" in said
    assert "mm long, by way of (" in said
    assert "--complete" in said
    assert not (tmp_path / "a").exists()
    assert main(["run", str(job), "--out", str(tmp_path / "a"), "--complete"]) in (0, 1)
    report = (tmp_path / "a" / "report.json").read_text()
    assert report.count("was added to panel") == 2
    again = tmp_path / "a" / "job.toml"
    assert "complete = true" in again.read_text()
    assert main(["run", str(again), "--out", str(tmp_path / "b")]) in (0, 1)
    first, second = ((tmp_path / run / "base.svg").read_bytes() for run in "ab")
    assert first == second
    assert "was added" not in (tmp_path / "b" / "report.json").read_text()


def ring_points():
    angle = np.radians(np.arange(0, 360, 6))
    ring = 100 * np.column_stack([np.sin(angle), 0 * angle, np.cos(angle)])
    return np.round(ring, 3).tolist()
