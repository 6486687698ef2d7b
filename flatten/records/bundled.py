"""The bundled materials and stocks: common practice and published figures, to be tested first.

Every number is a default that a job may replace. `source` says where an entry comes from; the
strain limits are for slow, careful work by hand.
"""

from typing import Literal

from flatten.records.material import Allowance, Limit, Material, Ply, Stock, same

Family = Literal["foam", "leather", "cloth", "card"]

PRACTICE = "common practice, test your material"
STURROCK = (
    "wet-stretched leather stays sound to 20 % in all directions: Sturrock et al., "
    "J. Mater. Sci. 39, 2004; limits common practice, test your material"
)

# Widths beyond the net line, mm (common practice).
ALLOWANCES: dict[Family, Allowance] = {
    "foam": Allowance(butt=0.0, seam=6.0, lap=15.0, gap=0.0, rim=0.0),
    "leather": Allowance(butt=0.0, seam=10.0, lap=10.0, gap=0.0, rim=0.0),
    "cloth": Allowance(butt=0.0, seam=10.0, lap=10.0, gap=0.0, rim=10.0),
    "card": Allowance(butt=0.0, seam=8.0, lap=10.0, gap=0.0, rim=0.0),
}


def _foam(thickness: float, *, formed: bool) -> Material:
    state = "formed" if formed else "cold"
    how = "heat-formed and held until cold; shrinks 1-3 %, cut a test strip" if formed else "cold"
    return Material(
        name=f"eva-foam-{thickness:g}-{state}",
        family="foam",
        thickness_mm=thickness,
        stretch_pct=same(10.0 if formed else 3.0),
        squeeze_pct=same(6.0 if formed else 3.0),
        bevel=True,
        laser="ask",
        allowance_mm=ALLOWANCES["foam"],
        source=f"{how}: {PRACTICE}",
    )


def _leather(thickness: float, *, wet: bool) -> Material:
    return Material(
        name=f"veg-tan-{thickness:g}-{'wet' if wet else 'dry'}",
        family="leather",
        thickness_mm=thickness,
        stretch_pct=same(10.0 if wet else 5.0),
        squeeze_pct=same(5.0 if wet else 2.0),
        laser="ask",
        allowance_mm=ALLOWANCES["leather"],
        source=f"{STURROCK}; dries 2-4 % smaller, cut a test strip" if wet else PRACTICE,
    )


_WOVEN = Limit(warp=2.0, weft=2.0, bias=5.0)

MATERIALS: tuple[Material, ...] = (
    Material(
        name="card",
        family="card",
        thickness_mm=0.0,
        stretch_pct=same(0.5),
        squeeze_pct=same(0.5),
        laser="ok",
        allowance_mm=ALLOWANCES["card"],
        source=PRACTICE,
    ),
    *(_foam(t, formed=True) for t in (2.0, 5.0, 10.0)),
    *(_foam(t, formed=False) for t in (2.0, 5.0, 10.0)),
    Material(
        name="faux-leather",
        family="leather",
        thickness_mm=1.0,
        stretch_pct=same(3.0),
        squeeze_pct=same(1.0),
        grain="along",
        grain_tol_deg=2.0,
        laser="never",
        may_hold_pvc=True,
        allowance_mm=ALLOWANCES["leather"],
        source=f"coated woven base: {PRACTICE}",
    ),
    Material(
        name="faux-leather-knit",
        family="leather",
        thickness_mm=1.2,
        stretch_pct=same(8.0),
        squeeze_pct=same(3.0),
        grain="along",
        grain_tol_deg=2.0,
        laser="never",
        may_hold_pvc=True,
        allowance_mm=ALLOWANCES["leather"],
        source=f"coated knit base: {PRACTICE}",
    ),
    *(_leather(t, wet=wet) for wet in (True, False) for t in (2.0, 3.5)),
    Material(
        name="woven-cotton",
        family="cloth",
        thickness_mm=0.4,
        stretch_pct=_WOVEN,
        squeeze_pct=_WOVEN,
        grain="along",
        laser="ok",
        allowance_mm=ALLOWANCES["cloth"],
        source=PRACTICE,
    ),
    Material(
        name="knit-stable",
        family="cloth",
        thickness_mm=0.8,
        stretch_pct=same(10.0),
        squeeze_pct=same(10.0),
        grain="along",
        laser="ask",
        allowance_mm=ALLOWANCES["cloth"],
        source=PRACTICE,
    ),
    Material(
        name="knit-two-way",
        family="cloth",
        thickness_mm=0.8,
        stretch_pct=same(25.0),
        squeeze_pct=same(10.0),
        grain="along",
        laser="ask",
        allowance_mm=ALLOWANCES["cloth"],
        source=PRACTICE,
    ),
    Material(
        name="calico",
        family="cloth",
        thickness_mm=0.4,
        stretch_pct=_WOVEN,
        squeeze_pct=_WOVEN,
        grain="along",
        laser="ok",
        # A mock-up is let out and taken in: theatre practice leaves 25 at seams and 40 at hems.
        allowance_mm=Allowance(butt=0.0, seam=25.0, lap=25.0, gap=25.0, rim=40.0),
        source=f"mock-up cloth with wide seams: {PRACTICE}",
    ),
)

STOCKS: tuple[Stock, ...] = (
    Stock(name="card-sheet", kind="sheet", width_mm=700.0, length_mm=1000.0, gap_mm=2.0),
    Stock(name="foam-sheet", kind="sheet", width_mm=1000.0, length_mm=2000.0, gap_mm=3.0),
    # 54 inches, the common width of coated cloth.
    Stock(name="leather-roll", kind="roll", width_mm=1370.0, gap_mm=3.0, margin_mm=10.0),
    Stock(name="fabric-roll", kind="roll", width_mm=1400.0, gap_mm=3.0, margin_mm=15.0),
)

# The bundled stock that a material of each family is sold as.
STOCK_OF_FAMILY: dict[Family, str] = {
    "card": "card-sheet",
    "foam": "foam-sheet",
    "leather": "leather-roll",
    "cloth": "fabric-roll",
}


def stock_for(material: Material, ply: Ply) -> str:
    """The ply's stock, or the bundled one for the material's family if the ply's is for another."""
    own = STOCK_OF_FAMILY[material.family]
    return own if ply.stock in STOCK_OF_FAMILY.values() and ply.stock != own else ply.stock


# What a job without plies gets: a paper mock-up.
DEFAULT_PLY = Ply(name="base", material="card", stock="card-sheet")


def bundled_material(name: str) -> Material | None:
    """The bundled material of that name, or None."""
    return next((m for m in MATERIALS if m.name == name), None)


def bundled_stock(name: str) -> Stock | None:
    """The bundled stock of that name, or None."""
    return next((s for s in STOCKS if s.name == name), None)
