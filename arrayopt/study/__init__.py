"""Study files: what they may say, reading them, writing changed ones back."""

from arrayopt.study.load import load_study, parse_study
from arrayopt.study.models import Study
from arrayopt.study.rewrite import revised_text, starter_text

__all__ = ["Study", "load_study", "parse_study", "revised_text", "starter_text"]
