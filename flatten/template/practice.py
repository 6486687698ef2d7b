"""The trade's numbers: allowances, hole rows and rim finishes by material and joint.

All are common practice and all may be overridden: by the material's allowances, and by the spec.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from flatten.records.making import Finish, StitchChoice
from flatten.records.material import JointChoice, Material, Ply
from flatten.records.panels import Seam
from flatten.template.spec import TemplateSpec

Value = TypeVar("Value")

THICK_LEATHER_MM = 3.0
LEAST_CUT_NOTCH_MM = 6.0  # an allowance narrower than this is not notched but marked inside


@dataclass(frozen=True, kw_only=True)
class HoleRow:
    """Holes along an edge: pitch, distance in from the edge, diameter, number of rows; mm."""

    pitch_mm: float
    inside_mm: float
    hole_mm: float
    rows: int = 1


def of_line(table: Mapping[str, Value], *names: str) -> Value | None:
    """The entry of the first of `names` that has one, else that of "*"."""
    for name in (*names, "*"):
        if name in table:
            return table[name]
    return None


def joint_choice(
    seam: Seam, joints: Mapping[str, JointChoice], material: Material
) -> tuple[str, str]:
    """Joint and fixing of a seam in a ply: the ply's word for its line, else for "*", else its own.

    A ply that names only the joint keeps the fixing, and the other way round. A line is butted and
    glued unless it says otherwise; cloth, whose edges nobody joins so, is then sewn.
    """
    joint, fixing = seam.joint, seam.fixing
    if _left_open(seam, material):
        joint, fixing = "seam", "stitch"
    for key in ("*", seam.line):
        choice = joints.get(key)
        if choice is not None:
            joint = choice.joint or joint
            fixing = choice.fixing or fixing
    return joint, fixing


def sewn_unasked(seam: Seam, joints: Mapping[str, JointChoice], material: Material) -> bool:
    """Whether a seam is sewn only because neither the ply nor its line says how it is joined."""
    return _left_open(seam, material) and of_line(joints, seam.line) is None


def _left_open(seam: Seam, material: Material) -> bool:
    return material.family == "cloth" and (seam.joint, seam.fixing) == ("butt", "glue")


def seam_allowance(material: Material, joint: str, *, under: bool) -> float:
    """Width beyond the net line at a seam, mm.

    In a lap only the side that goes under reaches beyond the net line; the side on top is cut on
    it, or, in cloth, turned in by the width of a seam.
    """
    widths = material.allowance_mm
    if joint == "lap" and not under:
        return widths.seam if material.family == "cloth" else 0.0
    return float(getattr(widths, joint))


def rim_finish(material: Material, ply: Ply, spec: TemplateSpec, rim: str) -> Finish:
    """How a rim ends: as asked, else turned for covers and hemmed cloth, else raw."""
    asked = of_line(spec.rim_finish, rim)
    if asked is not None:
        return asked
    cover = ply.over is not None and material.family in ("leather", "cloth")
    hem = material.family == "cloth" and material.allowance_mm.rim > 0.0
    return "turned" if cover or hem else "raw"


def rim_allowance(
    material: Material, ply: Ply, spec: TemplateSpec, finish: Finish, beneath_mm: float
) -> float:
    """Width beyond the net line at a rim over plies `beneath_mm` thick, mm.

    A cover turns round the plies beneath it; bound and bevelled edges end on the net line; piping
    is sewn on like a seam.
    """
    if finish in ("bound", "bevelled"):
        return 0.0
    if finish == "piped":
        return material.allowance_mm.seam
    if finish == "turned" and ply.over is not None:
        return max(material.allowance_mm.rim, beneath_mm + spec.turn_mm)
    if finish == "turned":
        return material.allowance_mm.rim or spec.turn_mm
    return material.allowance_mm.rim


def overlay_allowance(material: Material, spec: TemplateSpec, finish: Finish) -> float:
    """Width beyond the outline of an overlay, mm: it is cut on its line unless its edge is hidden."""
    if finish == "turned":
        return material.allowance_mm.rim or spec.turn_mm
    return material.allowance_mm.seam if finish == "piped" else 0.0


def hole_row(material: Material, fixing: str, choice: StitchChoice | None) -> HoleRow | None:
    """The hole row of a fixing in a material, None where nothing is punched.

    Cloth and card are sewn without punching. Leather: 3 in from the edge at a pitch of 4, from
    3 mm stock on 4.5 in at 5.5. Eyelets 11 in at 22; rivets at cap radius + 4 in leather, 20 in
    foam, hole 0.2 over a 3 mm post.
    """
    foam, leather = material.family == "foam", material.family == "leather"
    row = None
    if fixing == "stitch" and leather:
        thick = material.thickness_mm >= THICK_LEATHER_MM
        row = (
            HoleRow(pitch_mm=5.5, inside_mm=4.5, hole_mm=1.4)
            if thick
            else HoleRow(pitch_mm=4.0, inside_mm=3.0, hole_mm=1.0)
        )
    elif fixing == "stitch" and foam:
        row = HoleRow(pitch_mm=10.0, inside_mm=8.0, hole_mm=2.0)
    elif fixing == "lace":
        row = HoleRow(pitch_mm=22.0, inside_mm=15.0 if foam else 11.0, hole_mm=5.0)
    elif fixing == "rivet":
        row = HoleRow(pitch_mm=40.0, inside_mm=20.0 if foam else 10.0, hole_mm=3.2)
    if choice is None:
        return row
    if row is None:
        if choice.pitch_mm is None:
            return None
        row = HoleRow(pitch_mm=choice.pitch_mm, inside_mm=3.0, hole_mm=1.0)
    given = {
        name: value
        for name in ("pitch_mm", "inside_mm", "hole_mm", "rows")
        if (value := getattr(choice, name)) is not None
    }
    return replace(row, **given)
