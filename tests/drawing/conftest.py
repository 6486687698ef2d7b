"""Lay plans made by hand: an L-shaped template that is nobody's mirror image."""

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest

from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.material import Material, same
from flatten.records.template import LayPlan, NetEdge, Placement, Template, TemplateSet, Usage

ELL = np.array([[0, 0], [200, 0], [200, 50], [50, 50], [50, 300], [0, 300]], dtype=np.float64)


@pytest.fixture
def ell() -> Template:
    slot = np.array([[10, 100], [20, 100], [20, 120], [10, 120]], dtype=np.float64)
    ring = np.vstack([ELL, ELL[:1]])
    edges = [
        NetEdge(name=f"edge {i}", points=np.array([ring[i], ring[i + 1]])) for i in range(len(ELL))
    ]
    return Template(
        name="left front, lower",
        ply="base",
        panel="left front",
        net=tuple(edges),
        cut=ELL,
        inner=(slot,),
        ink=(
            Polyline(layer="NET", points=ELL, closed=True),
            Circle(layer="HOLE", centre=(20.0, 20.0), radius=1.5),
            Polyline(layer="GRAIN", points=np.array([[25.0, 150.0], [25.0, 250.0]])),
            Text(text="Left", at=(60.0, 20.0), height=8.0),
        ),
    )


@pytest.fixture
def plan_of() -> Callable[..., LayPlan]:
    def make(
        template: Template,
        *placements: Placement,
        kerf: float = 0.0,
        sheets: tuple[tuple[float, float], ...] = ((1000.0, 2000.0),),
    ) -> LayPlan:
        material = Material(
            name="foam",
            family="foam",
            thickness_mm=5.0,
            stretch_pct=same(10.0),
            squeeze_pct=same(6.0),
            kerf_mm=kerf,
        )
        flat_set = SimpleNamespace(ply="base", material=material)
        return LayPlan(
            template_set=TemplateSet(flat_set=flat_set, templates=(template,)),  # type: ignore[arg-type]
            stock="foam-sheet",
            sheet_sizes=sheets,
            placements=placements,
            usage=Usage(sheets=1, used_length_mm=300.0, yield_pct=1.0, cut_mm=1.0),
        )

    return make
