"""templates.json: written, read again, and refused where it is not one."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from flatten.errors import BadInput
from flatten.io.issued import NAME, issued_text, read_issued
from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.template import NetEdge, Template

RING = np.array([[0, 0], [100, 0], [100, 50.123456], [0, 50]])


@pytest.fixture
def template():
    ring = np.vstack([RING, RING[:1]])
    edges = tuple(
        NetEdge(
            name=f"edge {i}",
            points=ring[i : i + 2],
            allowance_mm=6.0,
            holes=3,
            notches=((20.0, 2),),
        )
        for i in range(4)
    )
    ink = (
        Circle(layer="HOLE", centre=(10.0, 10.0), radius=1.25),
        Polyline(layer="SCORE", points=RING[:2]),
        Text(text="left", at=(5.0, 5.0), height=4.0),
    )
    return Template(
        name="base left", ply="base", panel="left", net=edges, cut=RING, ink=ink, face="back",
        quantity=2, revision=3,
    )  # fmt: skip


def text_of(template):
    ply = SimpleNamespace(
        ply=SimpleNamespace(name="base"),
        material=SimpleNamespace(name="card"),
        all_templates=(template,),
    )
    return issued_text(SimpleNamespace(plies=(ply,), job=SimpleNamespace(revision=4)))  # type: ignore[arg-type]


def test_what_was_issued_is_read_back_to_a_thousandth(template, tmp_path):
    (tmp_path / NAME).write_text(text_of(template))
    run = read_issued(tmp_path)
    assert (run.revision, run.materials) == (4, {"base": "card"})
    back = run.templates["base left"]
    assert (back.face, back.quantity, back.revision, back.panel) == ("back", 2, 3, "left")
    assert back.cut == pytest.approx(RING, abs=5e-4)
    for edge, was in zip(back.net, template.net, strict=True):
        assert edge.points == pytest.approx(was.points, abs=5e-4)
        assert (edge.name, edge.holes, edge.notches, edge.allowance_mm) == (
            was.name, was.holes, was.notches, was.allowance_mm,
        )  # fmt: skip
    assert [i.layer for i in back.ink] == ["SCORE", "HOLE"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("plies"),
        lambda d: d.update(format=9),
        lambda d: d["plies"][0]["templates"][0].update(cut=[[0, 1], [float("nan"), 2]]),
        lambda d: d["plies"][0]["templates"][0].update(cut="x"),
        lambda d: d["plies"][0]["templates"][0]["net"][0].pop("points"),
        lambda d: d["plies"][0]["templates"][0].update(face="side"),
        lambda d: d.update(plies=[1]),
    ],
)
def test_anything_else_is_refused_in_one_line(template, tmp_path, spoil):
    data = json.loads(text_of(template))
    spoil(data)
    (tmp_path / NAME).write_text(json.dumps(data))
    with pytest.raises(BadInput, match="not the templates of an earlier run"):
        read_issued(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{", "null", "\x00\xff"])
def test_files_that_are_no_tables_are_refused(tmp_path, text):
    (tmp_path / NAME).write_bytes(text.encode("latin-1"))
    with pytest.raises(BadInput):
        read_issued(tmp_path)


def test_a_folder_without_one_is_named(tmp_path):
    with pytest.raises(BadInput, match=r"no templates\.json in"):
        read_issued(tmp_path / "nothing")
