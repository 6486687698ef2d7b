"""The bundled table: every name that the format promises, with figures in the published ranges."""

import pytest

from flatten.records.bundled import MATERIALS, STOCKS, bundled_material, bundled_stock

NAMES = {
    "card", "eva-foam-2-formed", "eva-foam-5-formed", "eva-foam-10-formed", "eva-foam-2-cold",
    "eva-foam-5-cold", "eva-foam-10-cold", "faux-leather", "veg-tan-2-wet", "veg-tan-3.5-wet",
    "woven-cotton", "knit-stable", "knit-two-way", "calico",
}  # fmt: skip


def test_every_promised_name_is_there_once():
    names = [m.name for m in MATERIALS]
    assert set(names) >= NAMES
    assert len(names) == len(set(names))
    promised = {"card-sheet", "foam-sheet", "leather-roll", "fabric-roll"}
    assert {s.name for s in STOCKS} >= promised
    assert bundled_material("steel") is None
    assert bundled_stock("steel") is None


@pytest.mark.parametrize("material", MATERIALS, ids=lambda m: m.name)
def test_every_entry_is_plausible_and_says_its_source(material):
    """Wet leather stays sound to 20 % in all directions (Sturrock et al., J. Mater. Sci. 39, 2004)."""
    assert material.source
    for limit in (material.stretch_pct, material.squeeze_pct):
        assert 0 < limit.warp <= 25
        assert limit.bias >= min(limit.warp, limit.weft)
    if material.family == "leather":
        assert material.stretch_pct.warp < 20
    # Coated cloth may hold PVC, which gives off hydrogen chloride under a laser.
    assert not material.may_hold_pvc or material.laser == "never"
    assert material.bevel == (material.family == "foam")
    if material.family == "cloth":
        assert material.grain == "along"


def test_cold_stretches_less_than_formed_and_dry_less_than_wet():
    for less, more in (
        ("eva-foam-5-cold", "eva-foam-5-formed"),
        ("veg-tan-2-dry", "veg-tan-2-wet"),
    ):
        a, b = bundled_material(less), bundled_material(more)
        assert a is not None
        assert b is not None
        assert a.stretch_pct.warp < b.stretch_pct.warp
