"""What has changed on a template since it was issued, and which revision it then bears."""

from dataclasses import replace

import numpy as np
import pytest

from flatten.records.drawing import Circle, Text
from flatten.records.issue import EarlierRun
from flatten.records.making import Alter, StitchChoice
from flatten.template.build import build_templates
from flatten.template.changes import changes, choose_pieces, list_changes
from flatten.template.spec import TemplateSpec


def suit(forms):
    front = forms.rectangle(180, 240, name="front", names=["hem", "x", "top", "centre"])
    back = forms.rectangle(120, 240, name="back", names=["hem", "centre", "top", "x"])
    sleeve = forms.rectangle(90, 160, name="sleeve")
    seam = {"a": (0, 1), "b": (1, 3), "name": "side", "joint": "butt"}
    return forms.join([front, back, sleeve], [seam], forms.material("leather", t=2.0))


def issued(template_set, revision=1):
    """As a file would give it back: no lettering, to a thousandth of a millimetre."""
    bare = {
        t.name: replace(
            t,
            net=tuple(replace(e, points=np.round(e.points, 3)) for e in t.net),
            cut=np.round(t.cut, 3),
            ink=tuple(i for i in t.ink if not isinstance(i, Text)),
            revision=revision,
        )
        for t in template_set.templates
    }
    material = template_set.flat_set.material.name
    return EarlierRun(where="x", revision=revision, templates=bare, materials={"base": material})


def again(forms, **spec):
    first = build_templates(suit(forms), forms.ply(), TemplateSpec())
    earlier = issued(first)
    asked = TemplateSpec(revision=2, earlier=earlier, **spec)
    made = build_templates(suit(forms), forms.ply(), asked)
    return made, {row.piece: row for row in list_changes(made, earlier)}


def test_nothing_has_changed_on_the_same_job(forms):
    made, rows = again(forms)
    assert {row.state for row in rows.values()} == {"same"}
    assert {t.revision for t in made.templates} == {1}
    texts = [k.text for t in made.templates for k in t.ink if isinstance(k, Text)]
    assert not any("revision 2" in text for text in texts)


def test_a_seam_let_out_changes_its_two_pieces_alone(forms):
    made, rows = again(forms, alters=(Alter(line="side", by_mm=8.0),))
    assert {name: row.state for name, row in rows.items()} == {
        "base front": "changed", "base back": "changed", "base sleeve": "same",
    }  # fmt: skip
    for name, length in (("front", 188), ("back", 128)):
        said = "; ".join(rows[f"base {name}"].said)
        assert "'side' 8 mm farther out" in said
        assert f"{length} mm long (was {length - 8})" in said
    assert {t.name: t.revision for t in made.templates} == {
        "base front": 2, "base back": 2, "base sleeve": 1,
    }  # fmt: skip
    again_only = choose_pieces(made, ("*",), {"base front", "base back"})
    assert [t.name for t in again_only.templates] == ["base front", "base back"]
    assert len(again_only.every) == 3
    assert [t.name for t in choose_pieces(made, ("sl*",), None).templates] == ["base sleeve"]


def test_a_rim_taken_in_is_said_to_be(forms):
    _, rows = again(forms, alters=(Alter(line="top", by_mm=-10.0),))
    assert "'top' 10 mm farther in" in "; ".join(rows["base front"].said)


def test_other_holes_are_a_change(forms):
    _, rows = again(forms, stitch={"side": StitchChoice(pitch_mm=8.0)})
    said = rows["base front"].said
    assert any("holes (was" in s for s in said)


@pytest.mark.parametrize("turn", [0.0, 25.0])
def test_the_same_piece_elsewhere_is_the_same_piece(forms, turn):
    template = build_templates(suit(forms), forms.ply(), TemplateSpec()).templates[0]
    a = np.radians(turn)
    spin = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    moved = replace(
        template,
        net=tuple(replace(e, points=e.points @ spin + (40.0, -7.0)) for e in template.net),
        cut=template.cut @ spin + (40.0, -7.0),
        ink=tuple(
            replace(i, centre=tuple((np.array(i.centre) @ spin + (40.0, -7.0)).tolist()))
            for i in template.ink
            if isinstance(i, Circle)
        ),
    )
    assert (
        changes(
            moved, replace(template, ink=tuple(i for i in template.ink if isinstance(i, Circle)))
        )
        == []
    )


def test_a_piece_that_is_gone_is_listed(forms):
    first = build_templates(suit(forms), forms.ply(), TemplateSpec())
    earlier = issued(first)
    extra = replace(first.templates[0], name="base tail")
    earlier = replace(earlier, templates={**earlier.templates, "base tail": extra})
    rows = {row.piece: row.state for row in list_changes(first, earlier)}
    assert rows["base tail"] == "dropped"
