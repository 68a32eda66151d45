"""Can it be made at all: rules between keys, magnets that fit, a winding that balances."""

from __future__ import annotations

from arrayopt.errors import StudyError
from arrayopt.layout import fit_faults
from arrayopt.machine import winding_faults
from arrayopt.study import Study, contradictions


def check_buildable(study: Study) -> None:
    """Raise StudyError with every reason why a study's magnets or winding cannot be made."""
    faults = contradictions(study) or fit_faults(study) + winding_faults(study)
    if faults:
        raise StudyError(faults)
