"""report.json: every number of a run, keys as the contract between the parts names them."""

from typing import Any

import numpy as np

from flatten.geometry.triangles import face_areas
from flatten.io.cast_rows import girth_row, opening_row
from flatten.io.stock_json import stock_data
from flatten.records.flat import SeamReport, Strain
from flatten.records.outcome import Outcome, PlyOutcome


def file_stem(name: str) -> str:
    """A name as a file's stem: lower case, letters, digits and hyphens."""
    kept = "".join(c if c.isalnum() else " " for c in name.lower())
    return "-".join(kept.split()) or "piece"


def _rounded(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        return round(float(value), 6) + 0.0  # never minus nought
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_rounded(v) for v in value]
    return value


def panel_row(outcome: PlyOutcome, index: int, strain: Strain) -> dict[str, Any]:
    """One entry of `panels`."""
    panel, flat = outcome.flat_set.panel_set.panels[index], outcome.flat_set.flats[index]
    material = outcome.material
    keys = (
        "area_surface_mm2",
        "area_flat_mm2",
        "stretch_peak_pct",
        "squeeze_peak_pct",
        "stretch_max_pct",
        "squeeze_max_pct",
        "stretch_p99_pct",
        "squeeze_p99_pct",
        "angle_error_mean_deg",
        "bending_max_pct",
        "flipped_faces",
        "overlap_mm2",
    )
    limit: dict[str, Any] = {
        "stretch_pct": material.stretch_pct.least,
        "squeeze_pct": material.squeeze_pct.least,
    }
    if not material.isotropic:
        limit |= {
            f"{key}_by_direction": {way: getattr(value, way) for way in ("warp", "weft", "bias")}
            for key, value in (("stretch", material.stretch_pct), ("squeeze", material.squeeze_pct))
        }
    worst = outcome.deciding[index]
    return {
        "ply": outcome.ply.name,
        "name": panel.name,
        "mesh": f"panels/{file_stem(outcome.ply.name)}/{file_stem(panel.name)}.obj",
        "faces": len(panel.F),
        "overlay": bool(panel.detail),
        **{key: getattr(strain, key) for key in keys},
        "limit": limit,
        "decides": {
            "kind": worst.kind,
            "direction": worst.direction,
            "pct": worst.pct,
            "limit_pct": worst.limit_pct,
        },
        "above_least_pct": flat.above_least_pct,
        "stopped": flat.stopped,
        "fits": strain.fits,
        "advice": list(outcome.advice[index]),
        "notes": list(flat.notes),
    }


def seam_row(seam: SeamReport) -> dict[str, Any]:
    """One entry of `seams`."""
    return {
        "ply": seam.ply,
        "line": seam.line,
        "name": seam.name,
        "joint": seam.joint,
        "fixing": seam.fixing,
        "sides": [
            {"panel": panel, "surface_mm": surface, "flat_mm": flat, "holes": holes}
            for panel, surface, flat, holes in zip(
                seam.panels, seam.surface_mm, seam.flat_mm, seam.holes, strict=True
            )
        ],
        "mismatch_mm": seam.mismatch_mm,
        "worst_cumulative_mm": seam.worst_cumulative_mm,
    }


def ply_row(outcome: PlyOutcome, files: list[str]) -> dict[str, Any]:
    """One entry of `plies`."""
    usage = outcome.lay_plan.usage
    return {
        "name": outcome.ply.name,
        "material": outcome.material.name,
        "templates": len(outcome.template_set.templates),
        "sheets": usage.sheets,
        "used_length_mm": usage.used_length_mm,
        "yield_pct": usage.yield_pct,
        "cut_mm": usage.cut_mm,
        "unplaced": [reason for _, reason in outcome.lay_plan.unplaced],
        **stock_data(outcome),
        "files": files,
    }


def changes_data(outcome: Outcome) -> dict[str, Any] | None:
    """What has changed since an earlier run, None where nothing was compared."""
    if outcome.since is None:
        return None
    return {
        "since_revision": outcome.since,
        "revision": outcome.job.revision,
        "pieces": [
            {
                "ply": c.ply,
                "piece": c.piece,
                "revision": c.revision,
                "state": c.state,
                "said": list(c.said),
            }
            for c in outcome.changes
        ],
    }


def report_data(
    outcome: Outcome, files: dict[str, list[str]], timings: dict[str, float]
) -> dict[str, Any]:
    """The whole of report.json; `files[ply]` are the drawings written for that ply."""
    cast = outcome.cast
    return _rounded(
        {
            "format": 1,
            "title": outcome.job.title,
            "cast": {
                "faces": len(cast.F),
                "area_mm2": float(face_areas(cast.V, cast.F).sum()),
                "unit": cast.unit,
                "scale": cast.scale,
                "offset_mm": cast.offset_mm,
                "edge_mm": cast.edge_mm,
                "girths": [girth_row(g) for g in cast.girths],
                "openings": [opening_row(r) for r in cast.rims],
                "repairs": dict(cast.repairs),
                "to_cast": cast.to_cast,
            },
            "panels": [panel_row(p, i, s) for p in outcome.plies for i, s in enumerate(p.strains)],
            "seams": [seam_row(s) for p in outcome.plies for s in p.seams],
            "plies": [ply_row(p, files.get(p.ply.name, [])) for p in outcome.plies],
            "timings_s": timings,
            "dry_fit": None,
            "changes": changes_data(outcome),
            "notes": list(outcome.notes),
            "cautions": list(outcome.cautions),
        }
    )
