"""Names in a job that meet nothing are said, and alterations go to the plies that have their line."""

import pytest

from flatten.errors import BadInput
from flatten.records.making import Alter, Making, StitchChoice
from flatten.records.material import JointChoice
from flatten.template.names import check_alters, idle_names, own_alters


def panels(forms):
    one = forms.rectangle(180, 240, name="front", names=["hem", "x", "top", "centre"])
    two = forms.rectangle(120, 240, name="back", names=["hem", "centre", "top", "x"])
    return forms.join([one, two], [{"a": (0, 1), "b": (1, 3), "name": "side left"}]).panel_set


def test_a_name_that_meets_nothing_is_said_with_the_nearest(forms):
    making = Making(
        rim_finish={"hem": "bound", "side left": "raw"},
        stitch={"side lft": StitchChoice(), "*": StitchChoice()},
        topstitch={"top": (3.0,), "hem": (3.0,)},
        detail_pieces=("crest*",),
    )
    joints = {"side left": JointChoice(joint="lap"), "hem": JointChoice(joint="lap")}
    said = idle_names(forms.ply(joints=joints, making=making), panels(forms))
    assert said == [
        "ply 'base', joints: no seam is called 'hem'",
        "ply 'base', rim_finish: no rim or overlay is called 'side left'",
        "ply 'base', stitch: no seam is called 'side lft'; did you mean 'side left'?",
        "ply 'base', detail_pieces: no closed detail is called 'crest*'",
    ]


def test_an_alteration_goes_where_its_line_is(forms):
    there, gone = Alter(line="side left", by_mm=3), Alter(line="sleeve", by_mm=3)
    panel_set = panels(forms)
    assert own_alters((there, gone), panel_set) == (there,)
    check_alters((there,), [panel_set])
    with pytest.raises(BadInput, match=r"no seam or rim 'sleeve'.*side left"):
        check_alters((there, gone), [panel_set])
