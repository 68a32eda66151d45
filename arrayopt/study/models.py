"""A study: all tables of its file, its materials, and what follows from them."""

from __future__ import annotations

from functools import reduce
from typing import Any, Literal

from pydantic import PrivateAttr, ValidationError

from arrayopt.errors import StudyError
from arrayopt.materials import (
    Adhesive,
    MagnetGrade,
    Plastic,
    Steel,
    adhesive,
    adhesives,
    awg_diameter,
    magnet_grade,
    magnet_grades,
    overall_diameter,
    plastic,
    plastics,
    sheets,
    steel,
    steels,
)
from arrayopt.study.faults import validation_faults
from arrayopt.study.rewrite import revised_text, toml_text
from arrayopt.study.sections import StudyFile
from arrayopt.study.stock import StockRow


class Study(StudyFile):
    """One motor: everything that its figures are computed from.

    Tables and keys are those of a study file, in its units (mm, degrees, C); tables that are left
    out are None or have their defaults. A study never changes; `with_values` returns another.

    Examples
    --------
    >>> from arrayopt import load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> study.rotor.main.width_mm, study.winding.turns_per_coil, study.rotor.grade
    (4.0, 12, 'N45H')
    >>> wider = study.with_values({"rotor.main.width_mm": 4.25})
    >>> wider.rotor.main.width_mm, study.rotor.main.width_mm
    (4.25, 4.0)

    The file of the changed study, comments kept.

    >>> print(next(line for line in wider.text.splitlines() if line.startswith("main")))
    main = { shape = "block", width_mm = 4.25, thickness_mm = 3.0 }

    `varied` does not check the values; for many designs of values that are known to be allowed.

    >>> many = [study.varied({"airgap.length_mm": gap}) for gap in (0.8, 1.0, 1.2)]
    >>> [one.airgap.length_mm for one in many]
    [0.8, 1.0, 1.2]

    What follows from the keys.

    >>> study.rotor_length_mm, study.clearance_mm, study.tooth_tip_mm
    (10.0, 1.0, 1.0)
    >>> bare, overall = study.wire_mm
    >>> bare < overall  # by the enamel
    True

    Materials, of the lists or of the study's own, and what they set.

    >>> grade = study.magnet_grade(study.rotor.grade)
    >>> grade.remanence_min < grade.remanence < grade.remanence_max  # T
    True
    >>> study.class_temperature == grade.class_temperature  # C
    True
    >>> f"{study.plastic('PETG').density:.0f} kg/m3"
    '1270 kg/m3'
    >>> study.adhesive("epoxy").service_temperature < grade.class_temperature  # C
    True
    >>> study.flux_limit("tooth") == study.steel(study.stator.sheet).knee  # T
    True
    >>> "N45H" in study.known("magnets"), "mild-steel" in study.known("steels", sheets_only=True)
    (True, False)

    Rows of the shop list, where the study names one.

    >>> shop = load_study("studies/ankle/from-stock.toml")
    >>> len(study.stock), shop.stock[0].item
    (0, 'demo 10x3x1')
    >>> few = shop.with_stock(shop.stock[:5])
    >>> len(few.stock)
    5
    """

    _text: str = PrivateAttr(default="")
    _changes: dict[str, Any] = PrivateAttr(default_factory=dict)
    _stock: tuple[StockRow, ...] = PrivateAttr(default=())

    @property
    def text(self) -> str:
        """A study file that says the same, with the comments of the one it was read from."""
        if self._text:
            return revised_text(self._text, self._changes)
        return toml_text(self.model_dump(exclude_unset=True, exclude_none=True))

    @property
    def stock(self) -> tuple[StockRow, ...]:
        """Rows of the shop list that the study names; none without one."""
        return self._stock

    def with_stock(self, rows: tuple[StockRow, ...]) -> Study:
        """Return the study with other rows of its shop list.

        Parameters
        ----------
        rows : tuple of StockRow
            As in `stock`.

        """
        changed = self.model_copy()
        changed._stock = rows
        return changed

    @property
    def rotor_length_mm(self) -> float:
        """Magnet length along the shaft [mm]; the stack's where the study gives none."""
        if self.rotor.length_mm is not None:
            return self.rotor.length_mm
        return self.stator.stack_mm + 2 * (self.rotor.overhang_mm or 0)

    @property
    def clearance_mm(self) -> float:
        """Air between what turns and what stands [mm]: less than the gap by skin and winding."""
        on_iron = self.stator.kind == "smooth"
        winding = self.stator.winding_thickness_mm if on_iron else None
        return self.airgap.length_mm - self.carrier.skin_mm - (winding or 0.0)

    @property
    def tooth_tip_mm(self) -> float:
        """Depth of the slot opening [mm]; 1 where the study gives none (common practice)."""
        return 1.0 if self.stator.tooth_tip_mm is None else self.stator.tooth_tip_mm

    @property
    def wire_mm(self) -> tuple[float, float]:
        """Diameters of the wire bare and over its enamel [mm]."""
        winding = self.winding
        if winding.wire in self.materials.wires:
            own = self.materials.wires[winding.wire]
            return own.bare_mm, own.overall_mm
        bare = winding.wire_diameter_mm or awg_diameter(winding.wire or "") or 0.0
        return bare, overall_diameter(bare, enamel_grade=winding.enamel_grade)

    @property
    def class_temperature(self) -> float:
        """Lowest temperature class among the magnets' grades [C]."""
        rotor = self.rotor
        used = [getattr(rotor, name) for name in relevant_magnets(rotor.magnets_per_pole_pair)]
        grades = {magnet.grade or rotor.grade for magnet in used}
        return min(self.magnet_grade(grade).class_temperature for grade in grades)

    def magnet_grade(self, name: str) -> MagnetGrade:
        """Return a grade of the study's own or of the list, with the remanence to count on.

        Parameters
        ----------
        name : str
            As in ``rotor.grade``; `known` lists them.

        Raises
        ------
        KeyError
            If there is none of that name; so do `plastic`, `adhesive` and `steel`.

        """
        own = self.materials.magnets.get(name)
        grade = own.grade(name) if own else magnet_grade(name)
        return grade.at_level(self.rotor.remanence)

    def plastic(self, name: str) -> Plastic:
        """Return a plastic of the study's own or of the list.

        Parameters
        ----------
        name : str
            As in ``carrier.material``.

        """
        own = self.materials.plastics.get(name)
        return own.plastic(name) if own else plastic(name)

    def adhesive(self, name: str) -> Adhesive:
        """Return a glue of the study's own or of the list.

        Parameters
        ----------
        name : str
            As in ``strength.adhesive``.

        """
        own = self.materials.adhesives.get(name)
        return own.adhesive(name) if own else adhesive(name)

    def steel(self, name: str) -> Steel:
        """Return a steel of the study's own or of the list.

        Parameters
        ----------
        name : str
            As in ``stator.sheet``.

        """
        own = self.materials.steels.get(name)
        return own.steel(name) if own else steel(name)

    def flux_limit(self, part: Literal["tooth", "yoke", "ring"]) -> float:
        """Limit of the flux density in a part of the iron [T]: as given, else its steel's knee.

        Parameters
        ----------
        part : str
            ``tooth``, ``yoke`` or ``ring``.

        """
        given: float | None = getattr(self.limits, f"{part}_flux_density_t")
        if given is not None:
            return given
        return self.steel(self.rotor.ring_steel if part == "ring" else self.stator.sheet).knee

    def known(self, kind: str, *, sheets_only: bool = False) -> tuple[str, ...]:
        """Names of all materials of a kind that the study may use, its own ones last.

        Parameters
        ----------
        kind : str
            ``magnets``, ``plastics``, ``adhesives`` or ``steels``.
        sheets_only : bool
            Of steels only those that come as electrical sheet.

        """
        lists = {"magnets": magnet_grades, "plastics": plastics, "adhesives": adhesives}
        listed = (lists | {"steels": steels})[kind]()
        own = getattr(self.materials, kind)
        if sheets_only:
            return (*sheets(), *(name for name, row in own.items() if row.like in sheets()))
        return (*listed, *own)

    def value(self, key: str) -> Any:
        """Return what the study says for a key; the magnets' length where it is the stack's.

        Parameters
        ----------
        key : str
            Whole, as in the table of study keys.

        Examples
        --------
        >>> from arrayopt import load_study
        >>> load_study("studies/ankle/study.toml").value("rotor.main.width_mm")
        4.0

        """
        if key == "rotor.length_mm":
            return self.rotor_length_mm
        return reduce(getattr, key.split("."), self)

    def with_values(self, values: dict[str, Any]) -> Study:
        """Return the study with some keys set, e.g. ``{"rotor.main.width_mm": 4.2}``.

        Parameters
        ----------
        values : dict
            Whole keys as in the table of study keys, with values in the unit that they end in.

        Returns
        -------
        Study

        Raises
        ------
        StudyError
            If there is no such key, or a value is outside what its key allows; rules between
            keys are for whoever uses the study.

        """
        content = self.model_dump(exclude_unset=True)
        for key, value in values.items():
            *tables, last = key.split(".")
            table = content
            for name in tables:
                # A None there is a table that the study left out.
                table[name] = table.get(name) or {}
                table = table[name]
                if not isinstance(table, dict):
                    raise StudyError([f"{key} is not a key of a study: {name} is no table"])
            table[last] = value
        try:
            changed = type(self).model_validate(content)
        except ValidationError as faults:
            raise StudyError(validation_faults(faults)) from None
        return changed._like(self, values)

    def varied(self, values: dict[str, Any]) -> Study:
        """Return the study with some keys set to values known to be allowed: not validated.

        A search sets thousands of values that its space has been checked for; validating
        them again took a fifth of its time.

        Parameters
        ----------
        values : dict
            As in `with_values`; wrong ones are told nowhere.

        """
        changes: dict[str, Any] = {}
        for key, value in values.items():
            *tables, last = key.split(".")
            table = changes
            for name in tables:
                table = table.setdefault(name, {})
            table[last] = value
        changed: Study = _updated(self, changes)
        return changed._like(self, values)

    def _like(self, other: Study, values: dict[str, Any]) -> Study:
        """Take over what belongs to the file that another study was read from."""
        self._text, self._changes = other._text, {**other._changes, **values}
        self._stock = other._stock
        return self


def _updated(model: Any, changes: dict[str, Any]) -> Any:
    """Return a copy of a model with values of its own and of its tables set."""
    return model.model_copy(
        update={
            name: _updated(getattr(model, name), value) if isinstance(value, dict) else value
            for name, value in changes.items()
        }
    )


def relevant_magnets(magnets_per_pole_pair: int) -> tuple[str, ...]:
    """Names of the magnet tables that a layout of M magnets per pole pair uses.

    Examples
    --------
    >>> relevant_magnets(4), relevant_magnets(6)
    (('main', 'transverse'), ('main', 'oblique'))
    """
    M = magnets_per_pole_pair
    names = ["main"]
    if M % 4 == 0:
        names.append("transverse")
    if M > 4 or M == 3:
        names.append("oblique")
    return tuple(names)
