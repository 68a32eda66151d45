"""Heat: what limits the continuous torque, with magnets and copper at their temperatures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.machine.copper import phase_resistance
from arrayopt.machine.iron import iron_loss
from arrayopt.quantities import RPM, Array
from arrayopt.study.models import Study

WINDING, MAGNETS, CARRIER = "winding", "magnets", "carrier"


@dataclass(frozen=True)
class Warmth:
    """Steady temperatures [C] and losses [W] at continuous torque, shape (design,).

    Attributes
    ----------
    thermal_resistance : ndarray
        Winding to air [K/W].
    winding, rotor : ndarray
        Temperatures; magnets and carrier are taken as equally warm.
    copper_loss, iron_loss : ndarray
    current : ndarray
        Phase current, rms [A].
    magnet_ratio : ndarray
        Flux linkage at that rotor temperature over that at the study's magnet temperature.

    """

    thermal_resistance: Array
    winding: Array
    rotor: Array
    copper_loss: Array
    iron_loss: Array
    current: Array
    magnet_ratio: Array


def thermal_resistance(study: Study) -> float:
    """Winding to air [K/W]: as given, or from a heat run; NaN without heat data.

    A run with a steady rms current in all phases heats by ``3 I^2 R`` at the temperature
    that it ends at.
    """
    heat = study.heat
    if heat is None:
        return float("nan")
    if heat.run is None:
        return float(heat.thermal_resistance_k_per_w or np.nan)
    hot = phase_resistance(study, heat.ambient_c + heat.run.rise_k)
    return heat.run.rise_k / (3 * heat.run.current_a_rms**2 * hot)


def temperature_limits(study: Study) -> dict[str, float]:
    """Return the limits of winding, magnets and carrier [C] of a study with heat data."""
    heat = study.heat
    assert heat is not None
    plastic = study.plastic(study.carrier.material)
    return {
        WINDING: heat.winding_limit_c,
        MAGNETS: study.class_temperature if heat.magnet_limit_c is None else heat.magnet_limit_c,
        CARRIER: plastic.service_temperature
        if heat.carrier_limit_c is None
        else heat.carrier_limit_c,
    }


def continuous_warmth(layout: Layout, field: AirgapField) -> Warmth:
    """Solve the steady state in which the first of winding, magnets and carrier meets its limit.

    One thermal resistance leads all losses from the winding to the air; magnets and
    carrier take a given share of the winding's rise. All temperatures then follow from
    the limit that is met first, and with them resistance and remanence.
    """
    speed = layout.column(lambda s: s.heat.speed_rpm if s.heat else np.nan) * RPM
    ambient = layout.column(lambda s: s.heat.ambient_c if s.heat else np.nan)
    share = layout.column(lambda s: s.heat.rotor_rise_share if s.heat else np.nan)
    hottest = layout.column(_hottest_winding)
    resistance = layout.column(thermal_resistance)
    iron = iron_loss(layout, field, speed)
    rise = hottest - ambient
    copper = np.maximum(rise / resistance - iron, 0)
    # Where iron alone is too much, the temperatures are those that it brings about.
    rise = np.maximum(rise, resistance * iron)
    hottest = ambient + rise
    hot = np.array(
        [
            phase_resistance(s, t) if s.heat else np.nan
            for s, t in zip(layout.studies, hottest, strict=True)
        ]
    )
    rotor = ambient + share * rise
    return Warmth(
        thermal_resistance=resistance,
        winding=hottest,
        rotor=rotor,
        copper_loss=copper,
        iron_loss=iron,
        current=np.sqrt(copper / (3 * hot)),
        magnet_ratio=linkage_ratio(layout, field, rotor),
    )


def linkage_ratio(layout: Layout, field: AirgapField, temperature: Array) -> Array:
    """Flux linkage with all magnets at a temperature over that at the study's, shape (design,)."""
    ratio = np.zeros(len(layout))
    for share, row in zip(field.shares, layout.grades, strict=True):
        ratio += share * np.array(
            [
                grade.remanence_at(t) / grade.remanence_at(s.rotor.magnet_temperature_c)
                for grade, s, t in zip(row, layout.studies, temperature, strict=True)
            ]
        )
    return ratio


def _hottest_winding(study: Study) -> float:
    """Winding temperature at which the first limit is met [C]; NaN without heat data."""
    heat = study.heat
    if heat is None:
        return float("nan")
    limits = temperature_limits(study)
    share = max(heat.rotor_rise_share, 1e-9)
    ambient = heat.ambient_c
    rises = [limits[WINDING] - ambient]
    rises += [(limits[part] - ambient) / share for part in (MAGNETS, CARRIER)]
    return ambient + max(min(rises), 0.0)
