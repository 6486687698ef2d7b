"""Length units and the rule that picks one for a scan that states none."""

from dataclasses import dataclass

from flatten.errors import BadInput

MM_PER_UNIT: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}

# A cast of a limb or a torso; the wider range is that of a whole body.
CAST_RANGE_MM = (75.0, 950.0)
BODY_RANGE_MM = (950.0, 2200.0)


@dataclass(frozen=True, kw_only=True)
class UnitChoice:
    """The unit taken for a scan and the sentence that says why."""

    unit: str
    said: str

    @property
    def mm(self) -> float:
        return MM_PER_UNIT[self.unit]


def candidate_units(extent: float) -> tuple[str, ...]:
    """Units in which `extent` (the longest side, in file numbers) is a cast, else a body."""
    for low, high in (CAST_RANGE_MM, BODY_RANGE_MM):
        found = tuple(u for u, mm in MM_PER_UNIT.items() if low <= extent * mm <= high)
        if found:
            return found
    return ()


def choose_unit(
    extent: float,
    *,
    asked: str | None = None,
    stated: str | None = None,
    girth_given: bool = False,
    looking: bool = False,
) -> UnitChoice:
    """Unit for a scan whose longest extent is `extent` in the file's own numbers.

    `asked` is the job's word, `stated` what the file format itself says. With a girth the scale
    comes from the tape, so the nearest plausible unit is taken without a question. When only
    `looking` at a scan, mm is taken where it is one of several that fit, since most files without a
    unit are in mm (common practice), and it is said that a run will ask.

    Raises
    ------
    BadInput : the unit is unknown, or none or several fit and nothing decides
    """
    if asked is not None:
        if asked not in MM_PER_UNIT:
            raise BadInput(f"unknown unit '{asked}'", "scan.unit", "use mm, cm, m or in")
        return UnitChoice(unit=asked, said=f"unit {asked}, as given")
    found = candidate_units(extent)
    if stated is not None and (stated in found or not found):
        return UnitChoice(unit=stated, said=f"unit {stated}, as the file states")
    if len(found) == 1:
        mm = extent * MM_PER_UNIT[found[0]]
        return UnitChoice(
            unit=found[0], said=f"unit {found[0]} (longest side {mm:.0f} mm is the one that fits)"
        )
    if girth_given:
        unit = (
            found[0]
            if found
            else min(MM_PER_UNIT, key=lambda u: abs(extent * MM_PER_UNIT[u] - 500))
        )
        return UnitChoice(unit=unit, said=f"unit {unit} to start from; the girths set the scale")
    sizes = ", ".join(f"{u} = {extent * MM_PER_UNIT[u]:.0f} mm" for u in (found or MM_PER_UNIT))
    if looking and "mm" in found:
        return UnitChoice(
            unit="mm", said=f"the unit is not clear ({sizes}); taken as mm here, but a run will ask"
        )
    raise BadInput(
        f"the unit is not clear: the longest side would be {sizes}",
        "scan.unit",
        "give the unit (--unit, or unit in [scan]) or a [[scan.girth]]",
    )
