"""Fronts of several layouts in one picture."""

from __future__ import annotations

from matplotlib import rc_context
from matplotlib.figure import Figure

from arrayopt.export.pictures import BLUE, GREEN, INK, ORANGE, STYLE
from arrayopt.export.typeset import typeset
from arrayopt.figures import figure
from arrayopt.search.layouts import ARRAY, PLAIN, RING, LayoutFronts

# Line, colour and letter of each layout: any one of them tells it.
_LOOKS = {
    ARRAY: ("-", ORANGE, "A"),
    PLAIN: (":", BLUE, "P"),
    PLAIN + RING: ("--", BLUE, "PR"),
    ARRAY + RING: ("-.", GREEN, "AR"),
}
_LETTERS = (0.15, 0.5, 1.0)  # where letters stand along the first front
_LATER = 0.08  # so much farther along each of the next


def layouts_picture(fronts: LayoutFronts) -> Figure:
    """Draw torque against rotor mass, a front a layout."""
    mass, torque = figure("rotor_mass"), fronts.torque
    with rc_context(STYLE):
        drawing = Figure(figsize=(7.5, 4.6), layout="constrained")
        ax = drawing.add_subplot()
        for k, (label, result) in enumerate(fronts.found.items()):
            dash, colour, letter = _LOOKS[label]
            x = result.front["rotor_mass"].values * mass.scale
            y = result.front[torque.name].values * torque.scale
            ax.plot(x, y, dash, color=colour, lw=2, label=f"{letter}  {label}")
            for share in _LETTERS:
                i = round(min(share + k * _LATER, 1) * (len(x) - 1))
                ax.annotate(
                    letter, (x[i], y[i]), xytext=(0, 5), textcoords="offset points", ha="center",
                    color=INK, weight="bold",
                )  # fmt: skip
        study = fronts.study
        if ARRAY in fronts.found or PLAIN in fronts.found:
            start = next(iter(fronts.found.values())).started
            ax.plot(
                start["rotor_mass"] * mass.scale, start[torque.name] * torque.scale, "s", ms=8,
                mfc="white", mec=INK, label="the study's own design",
            )  # fmt: skip
        ax.set_xlabel(typeset(mass.title))
        ax.set_ylabel(typeset(torque.title))
        ax.set_title(study.title, fontsize=9, loc="left")
        ax.grid(alpha=0.3)
        ax.legend(frameon=False, loc="lower right")
    return drawing
