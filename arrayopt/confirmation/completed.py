"""Iron that a study does not say: completed, so that it can be drawn and solved."""

from __future__ import annotations

from arrayopt.study import Study

_DEEP = 2.0  # slot depth over tooth width (common practice, no source)
_YOKE = 0.6  # yoke over the width of the teeth whose flux it carries (common practice, no source)
_ROOM = 0.9  # of the radius inside the stator that may be filled


def completed(study: Study) -> tuple[Study, tuple[str, ...]]:
    """Return the study with all sizes of a slotted stator, and a line for each one assumed.

    A smooth stator without a yoke stays ideal, which is told too.
    """
    stator = study.stator
    lines: list[str] = []
    values: dict[str, float] = {}
    if stator.kind == "smooth" and stator.yoke_mm is None:
        lines.append("stator.yoke_mm is not given: iron behind the winding never saturates")
    if stator.kind != "slotted":
        return study, tuple(lines)
    width = stator.tooth_width_mm or 0.0
    per_pole = stator.slots / (2 * study.rotor.pole_pairs)
    depth = stator.slot_depth_mm or _DEEP * width
    yoke = stator.yoke_mm or _YOKE * width * max(per_pole, 1.0)
    if study.rotor.outer:
        room = _ROOM * stator.surface_diameter_mm / 2 - study.tooth_tip_mm
        if stator.slot_depth_mm is None:
            depth = min(depth, max(room - yoke, 0.5 * room))
        if stator.yoke_mm is None:
            yoke = min(yoke, max(room - depth, 0.1 * room))
    if stator.tooth_tip_mm is None:
        lines.append(f"stator.tooth_tip_mm is not given: {study.tooth_tip_mm:g} mm assumed")
    for key, given, value in (
        ("slot_depth_mm", stator.slot_depth_mm, depth), ("yoke_mm", stator.yoke_mm, yoke),
    ):  # fmt: skip
        if given is None:
            values[f"stator.{key}"] = round(value, 2)
            lines.append(f"stator.{key} is not given: {value:.2f} mm assumed")
    return (study.varied(values) if values else study), tuple(lines)
